"""The fixtures of the doors: a clock set by hand, and a broker of the test's own."""

from __future__ import annotations

import signal
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from doors_kit import Broker, Hands


@pytest.fixture
def hands() -> Hands:
    return Hands()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    running = Broker(tmp_path, port, ("allow_anonymous true",))
    running.start()
    yield running
    running.stop(signal.SIGKILL)

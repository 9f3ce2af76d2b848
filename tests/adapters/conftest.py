"""The fixtures of the doors: a clock set by hand, and a broker of the test's own."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from doors_kit import Broker, Hands
from ports_kit import free_port


@pytest.fixture
def hands() -> Hands:
    return Hands()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    running = Broker(tmp_path, free_port(), ("allow_anonymous true",))
    running.start()
    yield running
    running.stop(signal.SIGKILL)

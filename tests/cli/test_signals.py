"""A signal that comes in the midst of a word, or of a lock: heard, said, and nothing hangs.

A handler runs in the main thread, between any two steps of it (docs.python.org, `signal`,
"Execution of Python signal handlers"), and a buffered stream refuses a second word from within the
first (docs.python.org, `io`, "Reentrancy").
"""

from __future__ import annotations

import io
import signal
import sys
from collections.abc import Callable, Iterator
from threading import Event
from types import FrameType, SimpleNamespace
from typing import Any

import pytest

from carerules.cli import aside
from carerules.cli.common import utter
from carerules.cli.serving import serve
from carerules.cli.sharing import _Serving

HANGS_S = 60
LEAVING = "SIGTERM: everything off, then leaving"


@pytest.fixture(autouse=True)
def bounded() -> Iterator[None]:
    """What hangs is a failure."""

    def late(_number: int, _frame: FrameType | None) -> None:
        raise AssertionError(f"it hangs: nothing came of it within {HANGS_S} s")

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(HANGS_S)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


class Stream(io.RawIOBase):
    """Standard error, with something that happens in the midst of the first word."""

    def __init__(self, happens: Callable[[], object]) -> None:
        self._happens: Callable[[], object] | None = happens
        self.took = b""

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        happens, self._happens = self._happens, None
        if happens is not None:
            happens()
        self.took += bytes(data)
        return len(data)


def standard_error(monkeypatch: pytest.MonkeyPatch, happens: Callable[[], object]) -> Stream:
    stream = Stream(happens)
    text = io.TextIOWrapper(io.BufferedWriter(stream), "utf-8")
    monkeypatch.setattr(sys, "stderr", text)
    return stream


def served(run: Callable[[Any], None]) -> list[str]:
    """`serve` with a service that does this and ends, on a site without plugs."""
    service: Any = SimpleNamespace(
        world=SimpleNamespace(setup=SimpleNamespace(site=SimpleNamespace(name="shed")), plugs={}),
        faulted="",
        run=lambda *_: run(service),
    )
    return serve(service, Any, [], lambda: None, None)  # type: ignore[arg-type]


def test_a_signal_in_the_midst_of_a_word_is_heard_and_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """Said by the handler itself, it would end the service: `reentrant call inside`."""
    stream = standard_error(monkeypatch, lambda: signal.raise_signal(signal.SIGTERM))
    heard: list[bool] = []

    def run(service: Any) -> None:
        utter("calendar crew: read again", err=True)
        heard.append(service.leave())

    assert served(run) == []
    assert heard == [True]
    assert stream.took.decode().splitlines() == ["calendar crew: read again", LEAVING]


def test_a_stream_that_nobody_reads_does_not_hold_up_who_leaves(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    read = Event()
    stream = standard_error(monkeypatch, read.wait)
    monkeypatch.setattr(aside, "WAIT_S_MAX", 0.05)
    heard: list[bool] = []

    def run(service: Any) -> None:
        signal.raise_signal(signal.SIGTERM)
        heard.append(service.leave())

    try:
        assert served(run) == []
        assert heard == [True]
        assert stream.took == b"", "it is still held up"
    finally:
        read.set()


def test_a_signal_while_the_main_thread_looks_whether_it_is_to_leave(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """`carerules serve` waits on a flag that has a lock, and has it for an instant each second."""
    standard_error(monkeypatch, lambda: None)
    watch: Any = None
    serving = _Serving(watch, {}, {}, "words")
    before = signal.signal(signal.SIGTERM, serving._asked_to_leave)
    try:
        with serving._leave._cond:  # type: ignore[attr-defined]
            signal.raise_signal(signal.SIGTERM)
        assert serving._leave.wait(HANGS_S)
        serving._aside.wait()
    finally:
        signal.signal(signal.SIGTERM, before)

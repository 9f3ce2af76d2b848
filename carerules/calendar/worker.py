"""The process in which calendars are expanded: asked on standard input, answers on standard output.

Knows the way in and out, and the limits that it puts on itself: a rule of recurrence can be written
so that its expansion never ends. Does not know who asks (adapters/apart).
"""

from __future__ import annotations

import os
import resource
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import BinaryIO

from carerules.calendar.occurrence import TooMuchError, Unread, answer_dump, ask_load

WORK_S_MAX = 30
"""Of processor time; what a calendar of 2 MiB takes is in docs/calendars.md, and a small computer
needs five times that."""
MEMORY_BYTES_MAX = 512 << 20
"""Several times what a calendar of 2 MiB takes; a small computer has twice that."""
EVENT_S_MAX = 2.0
"""Six times what an event takes that recurs each day since 1900."""
NICE = 10

LACKING = "the libraries for calendars are not installed; help: install the extra `calendar`"


def confine() -> None:
    """No more than this, from here on: the system ends what goes on."""
    os.nice(NICE)
    resource.setrlimit(resource.RLIMIT_CPU, (WORK_S_MAX, WORK_S_MAX + 1))
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES_MAX, MEMORY_BYTES_MAX))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


@contextmanager
def within_limit() -> Iterator[None]:
    """One event with all that recurs of it gets so much of the processor, and no more: a rule that
    never comes true is followed to the year 9999."""

    def ended(_number: int, _frame: FrameType | None) -> None:
        raise TooMuchError(f"found no end of its recurrences within {EVENT_S_MAX:g} s of work")

    before = signal.signal(signal.SIGPROF, ended)
    signal.setitimer(signal.ITIMER_PROF, EVENT_S_MAX)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def work(given: BinaryIO, said: BinaryIO) -> None:
    """Answer what is asked."""
    asked, data = ask_load(given.read())
    try:
        from carerules.calendar.expand import expand  # noqa: PLC0415  they may be lacking
    except ImportError:
        said.write(answer_dump(Unread(LACKING)))
    else:
        said.write(answer_dump(expand(data, asked, within_limit)))


if __name__ == "__main__":
    confine()
    work(sys.stdin.buffer, sys.stdout.buffer)

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
from contextlib import contextmanager, suppress
from types import FrameType
from typing import BinaryIO

from carerules.calendar.occurrence import TooMuchError, Unread, answer_dump, ask_load

WORK_S_MAX = 30
"""Of processor time; what a calendar of 2 MiB takes is in docs/calendars.md, and a small computer
needs five times that."""
MEMORY_BYTES_MAX = 256 << 20
"""Three times what a calendar of 2 MiB takes; the unit has room for this beside the service."""
EVENT_S_MAX = 2.0
"""Six times what an event takes that recurs each day since 1900."""
NICE = 10

UNLIMITED = "the system lets no limits be set within which to read it"
LACKING = "the libraries for calendars are not installed; mend: install the extra `calendar`"


def confine() -> None:
    """No more than this, from here on: the system ends what goes on. Raises OSError or ValueError
    where the system does not let itself be asked for that."""
    with suppress(OSError):  # in a sandbox that keeps scheduling to itself
        os.nice(NICE)
    # Where the machine's memory is all gone the system is to end this one, and not the service.
    with suppress(OSError), open("/proc/self/oom_score_adj", "w", encoding="ascii") as score:
        score.write("1000")
    for what, most in (
        (resource.RLIMIT_CPU, WORK_S_MAX),
        (resource.RLIMIT_AS, MEMORY_BYTES_MAX),
        (resource.RLIMIT_CORE, 0),
    ):
        _, hard = resource.getrlimit(what)
        least = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(what, (least, least))


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


def main() -> None:
    """Confine, then answer; without limits nothing is read."""
    try:
        confine()
    except (OSError, ValueError):
        sys.stdout.buffer.write(answer_dump(Unread(UNLIMITED)))
    else:
        work(sys.stdin.buffer, sys.stdout.buffer)


if __name__ == "__main__":
    main()

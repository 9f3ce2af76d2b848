"""The site's line: the only module that reads a clock.

Knows the host's clocks, and how the line goes on over a restart. Does not know what is due.

The line follows CLOCK_BOOTTIME, which counts suspend and which nobody can set. Within one boot of
the host it goes on exactly; over a reboot the wall clock is all there is, and it is believed only
forwards: a wall clock that came up behind (a board whose clock stops without power) costs waiting
time, which is the harmless side.
"""

from __future__ import annotations

import ctypes
import time
from collections.abc import Callable
from datetime import datetime, tzinfo
from pathlib import Path

from carerules.domain.event import ClockSet
from carerules.domain.frozen import guarded
from carerules.domain.moment import SECOND, Duration, LocalTime, Moment

STEP_MIN: Duration = 2 * SECOND
"""A wall clock this far off its course was set; less is slewing, told once it has added up."""

SLEEP_MIN: Duration = 5 * SECOND
"""BOOTTIME this far ahead of MONOTONIC is a suspend; reading two clocks takes microseconds."""


def synchronised() -> bool | None:
    """Whether a time service keeps the wall clock right; None: the system does not say.

    Source: adjtimex(2): with no mode set it changes nothing, and returns 5 (TIME_ERROR) for a
    clock that nobody keeps.
    """
    try:
        answer = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(_TIMEX_BYTES))
    except (OSError, AttributeError):
        return None
    return None if answer < 0 else answer != _TIME_ERROR


_TIMEX_BYTES = 512  # struct timex has 208 on 64 bits; more does no harm
_TIME_ERROR = 5


@guarded
class Sources:
    """Where the time comes from, in milliseconds; a test passes its own."""

    wall_ms: Callable[[], int]
    boot_ms: Callable[[], int]
    awake_ms: Callable[[], int]
    boot_id: Callable[[], str]


def _reads(clock_id: int) -> Callable[[], int]:
    return lambda: time.clock_gettime_ns(clock_id) // 1_000_000


def _boot_id() -> str:
    """The kernel's random name of this boot; empty where there is none, which equals no other."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    except OSError:
        return ""


HOST = Sources(
    _reads(time.CLOCK_REALTIME),
    _reads(time.CLOCK_BOOTTIME),
    _reads(time.CLOCK_MONOTONIC),
    _boot_id,
)


@guarded
class ClockAnchor:
    """One instant read on all clocks: what the journal keeps so that the line can go on."""

    line: Moment
    wall_ms: int
    boot_ms: int
    boot_id: str


class LineClock:
    """`now()` on the site's line, and what became of the wall clock and the host meanwhile.

    Any thread may ask `now()`; `stepped`, `slept` and `changed` belong to one thread.
    """

    def __init__(self, anchor: ClockAnchor | None = None, sources: Sources = HOST) -> None:
        """Go on from the journal's anchor; without one, the line starts at the wall's time."""
        self._sources = sources
        self._boot_id = sources.boot_id()
        boot, wall = sources.boot_ms(), sources.wall_ms()
        line = wall if anchor is None else _line_now(anchor, wall, boot, self._boot_id)
        self._lead = line - boot  # line = boot time + lead, from here on and without exception
        self._down = 0 if anchor is None else line - anchor.line
        self._wall_course = wall - boot
        self._sleep_course = boot - sources.awake_ms()

    @property
    def down(self) -> Duration:
        """How long the line ran from the anchor to the start of this clock: nobody listened."""
        return self._down

    def now(self) -> Moment:
        """This moment on the line, ms."""
        return self._sources.boot_ms() + self._lead

    def offset(self) -> Duration:
        """The wall clock's lead over the line, ms: `LocalTime.offset`."""
        return self._sources.wall_ms() - self.now()

    def local(self, zone: tzinfo) -> LocalTime:
        """How moments read on the wall of `zone`, by the wall clock as it is now."""
        return LocalTime(zone, self.offset())

    def wall(self, zone: tzinfo) -> datetime:
        """The wall time, aware: what a person's `08:00` or `yesterday` is measured from."""
        return datetime.fromtimestamp(self._sources.wall_ms() / 1_000, zone)

    def anchor(self) -> ClockAnchor:
        """All clocks at this instant, for the journal."""
        boot = self._sources.boot_ms()
        return ClockAnchor(boot + self._lead, self._sources.wall_ms(), boot, self._boot_id)

    def stepped(self) -> Duration:
        """How far the wall clock was moved since last told (negative: back); 0 within 2 s."""
        course = self._sources.wall_ms() - self._sources.boot_ms()
        step = course - self._wall_course
        if abs(step) <= STEP_MIN:
            return 0
        self._wall_course = course
        return step

    def slept(self) -> Duration:
        """How long the host was suspended since last told; 0 within 5 s."""
        course = self._sources.boot_ms() - self._sources.awake_ms()
        asleep = course - self._sleep_course
        if asleep <= SLEEP_MIN:
            return 0
        self._sleep_course = course
        return asleep

    def changed(self) -> ClockSet | None:
        """A step or a suspend as the event that tells of it, once; nothing otherwise."""
        step, asleep = self.stepped(), self.slept()
        if not step and not asleep:
            return None
        return ClockSet(self.now(), self.offset(), asleep)


def _line_now(anchor: ClockAnchor, wall: int, boot: int, boot_id: str) -> Moment:
    # An empty name cannot prove that this is the same boot; boot time that ran back disproves it.
    if boot_id and boot_id == anchor.boot_id and boot >= anchor.boot_ms:
        return anchor.line + (boot - anchor.boot_ms)
    return anchor.line + max(0, wall - anchor.wall_ms)

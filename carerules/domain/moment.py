"""Instants and durations on the site's own time line.

Knows milliseconds. Does not know what time it is: only `adapters/clock` reads a clock.

A `Moment` counts milliseconds on a line that only runs forward, counts suspend, and goes on over
a restart. It starts at the Unix epoch as the host's clock told it on the first start; afterwards a
change of the wall clock moves `LocalTime.offset` and never the line, so that no clock step, no
daylight saving and no zone can lengthen a load's time or shorten a rest.
"""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo
from typing import TypeAlias

from carerules.domain.frozen import guarded

Moment: TypeAlias = int
Duration: TypeAlias = int

SECOND: Duration = 1_000
MINUTE: Duration = 60 * SECOND
HOUR: Duration = 60 * MINUTE
DAY: Duration = 24 * HOUR
WEEK: Duration = 7 * DAY
MONTH: Duration = 30 * DAY
"""A month of ageing or self-discharge figures: thirty days."""

NEVER: Moment = 1 << 62
"""Later than any moment: what `due` says when nothing is due."""


@guarded
class LocalTime:
    """How a moment reads on the wall: the site's zone, and the wall clock's lead over the line."""

    zone: tzinfo
    offset: Duration = 0

    def read(self, moment: Moment) -> datetime:
        """The zone-aware wall time at `moment`."""
        return datetime.fromtimestamp((moment + self.offset) / 1_000, UTC).astimezone(self.zone)

    def moment(self, wall: datetime) -> Moment:
        """The moment at which the wall reads `wall`; a naive one is taken in the site's zone.

        A time that daylight saving skips is the first instant after the gap; of a time that
        comes twice, `fold` picks, and the first is the default.
        """
        aware = wall if wall.tzinfo is not None else wall.replace(tzinfo=self.zone)
        stamp = aware.timestamp()
        back = datetime.fromtimestamp(stamp, UTC).astimezone(aware.tzinfo)
        if back.replace(tzinfo=None) != aware.replace(tzinfo=None):
            # Skipped by the clock change. Python reads such a time with the offset from before
            # the gap, which lands past it by the time asked for; step back to the gap's end.
            after = aware.replace(fold=1).timestamp()
            stamp = _first_instant_after_gap(min(stamp, after), max(stamp, after), aware.tzinfo)
        return round(stamp * 1_000) - self.offset

    def show(self, moment: Moment) -> str:
        """`Sat 05 Dec 08:00`, short enough for a line of a list."""
        return self.read(moment).strftime("%a %d %b %H:%M")


def _first_instant_after_gap(low_s: float, high_s: float, zone: tzinfo | None) -> float:
    """The second in (low, high] at which the zone's offset changes."""

    def offset(stamp: float) -> object:
        return datetime.fromtimestamp(stamp, UTC).astimezone(zone).utcoffset()

    before, low, high = offset(low_s), int(low_s), int(high_s)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if offset(middle) == before else (low, middle)
    return float(high)


def show_duration(duration: Duration) -> str:
    """The two largest units that matter: `18 h 12 min`, `24 h`, `3 d 4 h`, `45 s`."""
    if duration < 0:
        return f"-{show_duration(-duration)}"
    if duration < MINUTE:
        seconds = duration / SECOND
        return f"{seconds:.0f} s" if duration % SECOND == 0 or seconds >= 10 else f"{seconds:.1f} s"
    # A day is written in hours up to three days: the trade says "24 h", not "1 d".
    ladder = [("d", DAY), ("h", HOUR)] if duration >= 3 * DAY else [("h", HOUR), ("min", MINUTE)]
    if duration < HOUR:
        ladder = [("min", MINUTE), ("s", SECOND)]
    (big, size), (small, step) = ladder
    whole, rest = divmod(duration, size)
    part = rest // step
    return f"{whole} {big} {part} {small}" if part else f"{whole} {big}"

"""A trend that a few wild points do not bend: Theil and Sen's, with its band.

Knows points. Does not know what they measure. The slope is the median of the slopes between all
pairs; its band is Sen's (1968) for 95 %, from the spread of Kendall's S without ties (normal
approximation, as tables for few points differ little from 8 points on).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from math import isfinite, sqrt
from typing import NamedTuple

from carerules.domain.frozen import guarded
from carerules.domain.moment import DAY, Duration, Moment
from carerules.domain.quantity import median

POINTS_MIN = 6
"""Fewer have a band as wide as everything (Kendall's S of five cannot reach 95 % by much;
from memory)."""
SPAN_MIN: Duration = 30 * DAY
"""A shorter stretch shows the seasons of a meter, not those of a pack (no source)."""
POINTS_MAX = 256
"""33 thousand pairs; more points are thinned evenly, the first and the last kept."""
BULK_POINTS = 128
"""From 8 thousand pairs on numpy takes less than half of the time, once it is loaded; to load it
costs as much as ten trends or more (measured)."""
AHEAD_MAX: Duration = 3_650 * DAY
"""Ten years: a date beyond is no date."""
Z95 = 1.959963984540054  # of the normal distribution, by definition


class Measured(NamedTuple):
    """A value at a moment, with its spread (1 sigma)."""

    at: Moment
    value: float
    spread: float


@guarded
class Trend:
    """A line: `value` at `at`, and `slope` a millisecond within `low` to `high` (95 %)."""

    at: Moment
    value: float
    slope: float
    low: float
    high: float
    points: int

    def reaches(self, level: float) -> Crossing | None:
        """When a falling value comes down to the level, in its own base unit; None: not within ten
        years, or is there.

        The band is that of the slope: `earliest` on its steepest, `latest` on its flattest line;
        None where even that does not come down to it in ten years.
        """
        if self.value <= level:
            return None
        earliest = self._when(level, self.low)
        if earliest is None:
            return None
        return Crossing(earliest, self._when(level, self.slope), self._when(level, self.high))

    def _when(self, level: float, slope: float) -> Moment | None:
        if slope >= 0:
            return None
        ahead = (level - self.value) / slope
        return self.at + round(ahead) if ahead <= AHEAD_MAX else None


@guarded
class Crossing:
    """The moments at which a level is reached: at the soonest, most likely, at the latest."""

    earliest: Moment
    likely: Moment | None
    latest: Moment | None


def trend(points: Sequence[Measured]) -> Trend | None:
    """The trend of points in any order; None: too few, or over too short a time.

    What is no finite number is left out; of two at one moment the later in the list counts.
    """
    sound = {one.at: one for one in points if isfinite(one.value)}
    kept = thinned([sound[at] for at in sorted(sound)])
    if len(kept) < POINTS_MIN or kept[-1].at - kept[0].at < SPAN_MIN:
        return None
    slope, low, high = slope_band([one.at for one in kept], [one.value for one in kept])
    last = kept[-1].at
    value = median(one.value + slope * (last - one.at) for one in kept)
    return Trend(last, value, slope, low, high, len(kept))


def slope_band(xs: Sequence[float], ys: Sequence[float]) -> tuple[float, float, float]:
    """Theil and Sen's slope and its 95 % band; the `xs` all differ. The band: Sen 1968 by Kendall's
    variance of S (from memory)."""
    count = len(xs)
    slopes = _slopes(xs, ys) if count < BULK_POINTS else _slopes_in_bulk(xs, ys)
    reach = Z95 * sqrt(count * (count - 1) * (2 * count + 5) / 18)
    below = max(0, round((len(slopes) - reach) / 2) - 1)
    above = min(len(slopes) - 1, round((len(slopes) + reach) / 2))
    return median(slopes), slopes[below], slopes[above]


def _slopes(xs: Sequence[float], ys: Sequence[float]) -> list[float]:
    """Of every pair, rising."""
    pairs = combinations(zip(xs, ys, strict=True), 2)
    return sorted((y - b) / (x - a) for (a, b), (x, y) in pairs)


def _slopes_in_bulk(xs: Sequence[float], ys: Sequence[float]) -> list[float]:
    """The same, to the last bit. Imported here: no start of a command or service pays for it."""
    import numpy as np  # noqa: PLC0415

    x, y = np.asarray(xs, dtype=float), np.asarray(ys, dtype=float)
    one, other = np.triu_indices(len(x), 1)
    slopes = (y[other] - y[one]) / (x[other] - x[one])
    slopes.sort()
    found: list[float] = slopes.tolist()
    return found


def thinned(points: Sequence[Measured]) -> list[Measured]:
    """At most `POINTS_MAX` of them, evenly, the first and the last among them."""
    if len(points) <= POINTS_MAX:
        return list(points)
    step = (len(points) - 1) / (POINTS_MAX - 1)
    return [points[round(number * step)] for number in range(POINTS_MAX)]

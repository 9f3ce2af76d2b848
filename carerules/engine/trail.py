"""What a signal was over a stretch of time: `max`, `min`, `mean` and `slope` of it.

Knows values and moments. Does not know signals. The past is cut at fixed moments, `STRETCHES` to a
window, and kept as the extremes and the mean of each stretch over the time in which the value was
known; so an answer is exact up to one stretch, does not depend on when anybody looked, and a window
of a month costs what one of an hour does.
"""

from __future__ import annotations

from itertools import combinations
from typing import NamedTuple

from carerules.domain.condition import WindowKind
from carerules.domain.moment import DAY, NEVER, Duration, Moment
from carerules.domain.quantity import median

STRETCHES = 256
"""One part in 256 of the window: 6 min of a day, 3 h of a month."""
SLOPE_POINTS = 64
"""2016 pairs; more points than this do not move a median that matters, and cost their square."""
SLOPE_POINTS_MIN = 4
"""Fewer points say nothing of a trend."""


class Stretch(NamedTuple):
    """Part of the past between two cuts: from when to when the value was known in it, what it was
    at least and at most, its mean, and for how long (ms) it was known. Stretches in which nothing
    was known are not kept."""

    start: Moment
    end: Moment
    low: float
    high: float
    mean: float
    known: Duration


class Trail(NamedTuple):
    """The past of one signal up to `since`, and its value from then on (None: unknown), moving by
    `drift` a millisecond. `trend` is the slope a day over the stretches complete at `cut`."""

    past: tuple[Stretch, ...] = ()
    value: float | None = None
    since: Moment | None = None
    drift: float = 0.0
    trend: float | None = None
    cut: Moment = -1


FRESH_TRAIL = Trail()


def follow(
    trail: Trail, value: float | None, drift: float, now: Moment, time: Duration, kind: WindowKind
) -> Trail:
    """The trail after seeing `value`, on its way by `drift` a ms, at `now`.

    What lies before the window is forgotten. Afterwards `since` is the last cut or the last change.
    """
    width = _width(time)
    cut = now // width * width
    if trail.since is None:
        return Trail((), value, now, drift, None, cut)
    same = _goes_on(trail, value, drift, now)
    if same and cut <= trail.since:
        return trail
    until = cut if same else now
    # From the cut, not from now: what is kept must not depend on when in a stretch one looks.
    past = tuple(one for one in trail.past if one.end > cut - time)
    if trail.value is not None:
        past = _grown(past, trail, max(trail.since, cut - time), until, width)
    trend = trail.trend
    if kind == "slope" and cut > trail.cut:
        trend = _theil_sen([one for one in past if one.end <= cut])
    if value is not None and same:
        value -= drift * (now - until)
    return Trail(past, value, until, drift, trend, cut)


def answer(
    trail: Trail, kind: WindowKind, now: Moment, time: Duration
) -> tuple[float | None, Moment]:
    """What the window says at `now`, in base units (None: unknown), and until when that stands by
    itself.

    The trail has been followed up to `now`. Mean and slope are as of the last cut or change.
    """
    assert trail.since is not None
    width = _width(time)
    next_cut = (now // width + 1) * width
    if kind in ("max", "min"):
        past = [one for one in trail.past if one.end > now - time]
        if trail.value is None and not past:
            return None, NEVER
        ends = [one.high if kind == "max" else one.low for one in past]
        ends += [] if trail.value is None else [trail.value]
        until = past[0].end + time if past else NEVER
        return (max if kind == "max" else min)(ends), min(until, next_cut if trail.drift else NEVER)
    start = trail.since - time
    past = [one for one in trail.past if one.end > start]
    if trail.value is None and not past:
        return None, NEVER
    steady = trail.value is not None and not trail.drift
    steady = steady and all(one.low == one.high == trail.value for one in past)
    if kind == "slope":
        return trail.trend, NEVER if steady and trail.trend == 0 else next_cut
    weights = [(one.mean, one.known * _inside(one, start)) for one in past]
    total = sum(weight for _, weight in weights)
    until = NEVER if steady else next_cut
    if not total or steady:  # the value has only just come, or has long been what it is
        return trail.value, until
    return sum(mean * weight for mean, weight in weights) / total, until


def _width(time: Duration) -> Duration:
    return max(1, time // STRETCHES)


def _goes_on(trail: Trail, value: float | None, drift: float, now: Moment) -> bool:
    """Whether nothing was heard that is not on the trail's own line."""
    if value is None or trail.value is None or trail.since is None:
        return value is trail.value
    if not drift or not trail.drift:
        return drift == trail.drift and value == trail.value
    ahead = trail.value + trail.drift * (now - trail.since)
    # The same line said from another point of it is a rounding apart.
    return drift == trail.drift and abs(value - ahead) <= 1e-9 * max(1.0, abs(value))


def _inside(one: Stretch, start: Moment) -> float:
    """The share of a stretch that lies in a window from `start`."""
    return 1.0 if one.start >= start else (one.end - start) / (one.end - one.start)


def _grown(
    past: tuple[Stretch, ...], trail: Trail, start: Moment, end: Moment, width: Duration
) -> tuple[Stretch, ...]:
    """The past with the trail's own line from `start` to `end`, cut where the cuts are."""
    assert trail.value is not None
    assert trail.since is not None
    grown = list(past)
    while start < end:
        stop = min(end, (start // width + 1) * width)
        first = trail.value + trail.drift * (start - trail.since)
        last = trail.value + trail.drift * (stop - trail.since)
        new = Stretch(
            start, stop, min(first, last), max(first, last), (first + last) / 2, stop - start
        )
        if grown and grown[-1].start // width == start // width:
            new = _joined(grown.pop(), new)
        grown.append(new)
        start = stop
    return tuple(grown)


def _joined(one: Stretch, other: Stretch) -> Stretch:
    known = one.known + other.known
    low, high = min(one.low, other.low), max(one.high, other.high)
    mean = low if low == high else (one.mean * one.known + other.mean * other.known) / known
    return Stretch(one.start, other.end, low, high, mean, known)


def _theil_sen(past: list[Stretch]) -> float | None:
    """The median slope (a day) between all pairs of stretches; None: too few to say."""
    step = max(1, -(-len(past) // SLOPE_POINTS))
    points = [((one.start + one.end) / 2, one.mean) for one in past[::-1][::step]]
    if len(points) < SLOPE_POINTS_MIN:
        return None
    return median(
        (b - a) / (later - earlier) * DAY
        for (earlier, a), (later, b) in combinations(sorted(points), 2)
    )

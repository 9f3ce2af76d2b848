"""What a signal was over a stretch of time: `max`, `min`, `mean` and `slope` of it.

Knows values and moments. Does not know signals. The past is kept as at most `STRETCHES` stretches
of equal length, each with its extremes and its mean over the time in which the value was known; so
an answer is exact up to one stretch, and a window of a month costs what one of an hour does.
"""

from __future__ import annotations

from itertools import combinations
from statistics import median
from typing import NamedTuple

from carerules.domain.moment import DAY, NEVER, Duration, Moment
from carerules.domain.plan import WindowKind

STRETCHES = 256
"""One part in 256 of the window: 7 min of a day, 3 h of a month."""
SLOPE_POINTS = 64
"""2016 pairs; more points than this do not move a median that matters, and cost their square."""
SLOPE_POINTS_MIN = 4
"""Fewer points say nothing of a trend."""


class Stretch(NamedTuple):
    """Part of the past: its ends, what the value was at least and at most, its mean, and for how
    long (ms) of it the value was known. Only stretches with something known are kept."""

    start: Moment
    end: Moment
    low: float
    high: float
    mean: float
    known: Duration


class Trail(NamedTuple):
    """The past of one signal, and its value since `since` (None: unknown); `slope` a day, as of
    the last stretch that was completed."""

    past: tuple[Stretch, ...] = ()
    value: float | None = None
    since: Moment | None = None
    slope: float | None = None


FRESH_TRAIL = Trail()


def follow(trail: Trail, value: float | None, now: Moment, time: Duration) -> Trail:
    """The trail after seeing `value` at `now`; what lies before the window is forgotten."""
    if trail.since is None:
        return Trail((), value, now)
    if value == trail.value and now - trail.since < _width(time):
        return trail
    past, slope = trail.past, trail.slope
    if trail.value is not None and now > trail.since:
        grown = _grown(past, trail.value, trail.since, now, _width(time))
        kept = tuple(one for one in grown if one.end > now - time)
        if len(kept) != len(past):
            slope = _theil_sen(kept)
        past = kept
    return Trail(past, value, now, slope)


def answer(
    trail: Trail, kind: WindowKind, now: Moment, time: Duration
) -> tuple[float | None, Moment]:
    """What the window says at `now` (None: unknown), and until when that stands by itself."""
    past = [one for one in trail.past if one.end > now - time]
    if kind == "slope":
        return trail.slope, now + _width(time)
    if trail.value is None and not past:
        return None, NEVER
    until = past[0].end + time if past else NEVER
    current = [] if trail.value is None else [trail.value]
    if kind == "max":
        return max([one.high for one in past] + current), until
    if kind == "min":
        return min([one.low for one in past] + current), until
    weights = [(one.mean, one.known * _inside(one, now - time)) for one in past]
    if trail.value is not None and trail.since is not None:
        weights.append((trail.value, float(max(1, now - max(trail.since, now - time)))))
    total = sum(weight for _, weight in weights)
    return sum(mean * weight for mean, weight in weights) / total, now + _width(time)


def _width(time: Duration) -> Duration:
    return max(1, time // STRETCHES)


def _inside(one: Stretch, start: Moment) -> float:
    """The share of a stretch that lies in a window from `start`."""
    return 1.0 if one.start >= start else (one.end - start) / (one.end - one.start)


def _grown(
    past: tuple[Stretch, ...], value: float, since: Moment, now: Moment, width: Duration
) -> tuple[Stretch, ...]:
    new = Stretch(since, now, value, value, value, now - since)
    if past and now - past[-1].start <= width:
        last = past[-1]
        known = last.known + new.known
        mean = (last.mean * last.known + value * new.known) / known
        joined = Stretch(last.start, now, min(last.low, value), max(last.high, value), mean, known)
        return (*past[:-1], joined)
    return (*past, new)


def _theil_sen(past: tuple[Stretch, ...]) -> float | None:
    """The median slope (a day) between all pairs of stretches; None: too few to say."""
    step = -(-len(past) // SLOPE_POINTS)
    points = [((one.start + one.end) / 2, one.mean) for one in past[::-1][::step]]
    if len(points) < SLOPE_POINTS_MIN:
        return None
    return median(
        (b - a) / (later - earlier) * DAY
        for (earlier, a), (later, b) in combinations(sorted(points), 2)
        if later > earlier
    )

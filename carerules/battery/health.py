"""How a pack ages by its own measurements: capacity, resistance, cells, and what that comes to.

Knows measurements. Does not know how they came in (`battery/history`) or a rule.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field
from math import hypot, isfinite
from typing import NamedTuple

from carerules.battery.trend import Crossing, Measured, Trend, trend
from carerules.domain.frozen import guarded
from carerules.domain.moment import DAY, MONTH, Duration, Moment
from carerules.domain.quantity import median

SPAN_MIN = 30.0
"""Points between two rests, below which they say nothing of a capacity: as in `learned`."""

LEVELS = (80.0, 50.0)
"""Percent of the label: where a pack is called tired, and where worn out (common practice)."""

WEAK_POINTS = 5.0
"""A cell so many points below the middle one at rest is weak; 2 are worth a look (no source)."""

WEAK_LEAK = 3.0
"""A cell that loses so many points a month more than the middle one leaks (no source)."""

LEAK_SPAN: Duration = 7 * DAY
"""Two rests nearer than this show the meter, not the leak: a point a week is 4 a month
(no source)."""

STEP_SHARE = 0.3
"""A step of current is read where it is at least this share of capacity in an hour: IEC 61960 steps
from 0.2 C to 1 C (from memory)."""

LAST_KEPT = 5
"""What is so now is the median of so many last measurements: one bad one does not show (our
choice)."""


class CellsAtRest(NamedTuple):
    """Charge of each cell (%) read at one rest, and the doubt of each against the others (points).

    `rest` names the rest: two of one name had no current between them.
    """

    at: Moment
    charges: tuple[float, ...]
    spread: float
    volts: tuple[float, ...]
    rest: Moment


@guarded
class CellHealth:
    """One cell against the middle one: `apart` (points, negative: lower) with `apart_v`, `leak`
    (points a month more than the middle one; None: not seen), and whether that makes it weak."""

    number: int
    apart: float
    apart_v: float
    leak: float | None
    weak: bool


@guarded
class Health:
    """What the measurements come to. Percent of the label; `resistance` in mΩ a cell.

    `reaches` says for each level when it is reached, `measured` how many capacities could be true.
    None, or nothing: not enough is known.
    """

    capacity: Measured | None
    percent: Trend | None
    reaches: tuple[tuple[float, Crossing], ...]
    resistance: Measured | None
    resistance_trend: Trend | None
    imbalance: float | None
    imbalance_v: float | None
    cells: tuple[CellHealth, ...] = field(default=())
    measured: int = 0


def capacity_between(
    first: float,
    first_spread: float,
    last: float,
    last_spread: float,
    counted_ah: float,
    counted_spread: float = 0.02,
) -> tuple[float, float] | None:
    """Capacity (Ah) and its spread from the charges (%) at two rests and what was counted between.

    `counted_spread` of itself; 0.02 as in `track`. None: the rests are too near each other, the
    count runs the other way, or something is no number.
    """
    moved = last - first
    figures = (first_spread, last_spread, counted_ah, moved)
    if not all(map(isfinite, figures)) or abs(moved) < SPAN_MIN or counted_ah * moved <= 0:
        return None
    capacity = 100 * counted_ah / moved
    return capacity, capacity * hypot(hypot(first_spread, last_spread) / moved, counted_spread)


def two_step(
    before_v: float, before_a: float, after_v: float, after_a: float, capacity_ah: float, cells: int
) -> float | None:
    """Resistance of a cell (mΩ) from two voltages of the pack under two currents, close in time.

    The way of IEC 61960: the voltage's step over the current's. Either sign of current, if both
    have the same. None: too small a step, or one that shows nothing (no number, the wrong way).
    """
    step_a = after_a - before_a
    if (
        not all(map(isfinite, (before_v, after_v, step_a)))
        or abs(step_a) < STEP_SHARE * capacity_ah
    ):
        return None
    ohm = (after_v - before_v) / step_a
    return 1_000 * ohm / cells if ohm > 0 else None


def judged(
    label_ah: float,
    capacities: Sequence[Measured],
    resistances: Sequence[Measured],
    rests: Sequence[CellsAtRest],
) -> Health:
    """The health of a pack of so much on its label. Lists in any order, of any length, with gaps;
    what is no number, or no pack of that label could have, is left out (bounds: no source)."""
    sound = _sound(capacities, 0.05 * label_ah, 1.6 * label_ah)
    percents = [Measured(at, 100 * v / label_ah, 100 * s / label_ah) for at, v, s in sound]
    fall = trend(percents)
    reaches = [] if fall is None else [(level, fall.reaches(level)) for level in LEVELS]
    ohms = _sound(resistances, 0.01, 10_000)
    cells, apart, apart_v = _cells(rests)
    return Health(
        _now(sound),
        fall,
        tuple((level, crossing) for level, crossing in reaches if crossing is not None),
        _now(ohms),
        trend(ohms),
        apart,
        apart_v,
        cells,
        len(sound),
    )


def _sound(points: Sequence[Measured], low: float, high: float) -> list[Measured]:
    kept = [
        one
        for one in points
        if isfinite(one.value) and isfinite(one.spread) and low <= one.value <= high
    ]
    return sorted(kept)


def _now(points: Sequence[Measured]) -> Measured | None:
    """The median of the last few, with the spread of a typical one of them."""
    last = points[-LAST_KEPT:]
    if not last:
        return None
    middle = median(one.value for one in last)
    typical = median(one.spread for one in last)
    scatter = 1.4826 * median(abs(one.value - middle) for one in last)  # a bell, by definition
    return Measured(last[-1].at, middle, max(typical, scatter))


def _cells(
    rests: Sequence[CellsAtRest],
) -> tuple[tuple[CellHealth, ...], float | None, float | None]:
    known = sorted(
        (
            one
            for one in rests
            if len(one.charges) >= 2 and all(map(isfinite, (*one.charges, *one.volts)))
        ),
        key=lambda one: one.at,
    )
    if not known:
        return (), None, None
    last = known[-1]
    known = [one for one in known if len(one.charges) == len(last.charges)]
    recent = known[-LAST_KEPT:]
    middle_v = median(last.volts)
    leaks = _leaks(known)
    found: list[CellHealth] = []
    for number in range(len(last.charges)):
        aparts = [one.charges[number] - median(one.charges) for one in recent]
        apart = median(aparts)
        sure = 2 * median(one.spread for one in recent)
        leak = leaks[number] if leaks else None
        low = len(aparts) >= 2 and apart < -max(WEAK_POINTS, sure)
        weak = low or (leak is not None and leak > WEAK_LEAK)
        found.append(CellHealth(number + 1, apart, last.volts[number] - middle_v, leak, weak))
    return (
        tuple(found), max(last.charges) - min(last.charges), max(last.volts) - min(last.volts)
    )  # fmt: skip


def _leaks(rests: Sequence[CellsAtRest]) -> list[float] | None:
    """What each cell loses more than the middle one, points a month: the median over pairs of
    readings in one rest at least a week apart."""
    first: dict[Moment, CellsAtRest] = {}
    last: dict[Moment, CellsAtRest] = {}
    for one in rests:
        first.setdefault(one.rest, one)
        last[one.rest] = one
    pairs = [
        (first[rest], end) for rest, end in last.items() if end.at - first[rest].at >= LEAK_SPAN
    ]
    if not pairs:
        return None
    lost: list[list[float]] = [[] for _ in pairs[0][0].charges]
    for begin, end in pairs:
        months = (end.at - begin.at) / MONTH
        falls = [(a - b) / months for a, b in zip(begin.charges, end.charges, strict=True)]
        for column, fall in zip(lost, falls, strict=True):
            column.append(fall - median(falls))
    return [median(column) for column in lost]

"""Comparisons made ready to run: of two values, or whether one lies in a band.

Knows values, their spread and how they move. Does not know what a condition makes of the answers.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from math import inf, nextafter
from typing import NamedTuple, TypeAlias

from carerules.domain.condition import (
    And,
    Between,
    Compare,
    Condition,
    Op,
    SignalValue,
    compare,
)
from carerules.domain.moment import NEVER, Duration, Moment
from carerules.domain.quantity import Known, Quantity, Truth
from carerules.engine.hold import Memory
from carerules.engine.value import Facts, Look

Answer: TypeAlias = tuple[Truth, Moment]
"""The truth now, and the first moment at which it may differ though nothing new was heard."""
Ask: TypeAlias = Callable[[Facts, Moment, list[Memory]], Answer]
"""A condition made ready: it reads the facts, and keeps its own part of the memory."""

ROUNDING = 1e-3
"""Part of a millisecond by which two ways of reckoning one moving value may come apart: many times
more than what doubles lose over a year."""

NO = Truth.NO
ALWAYS_NO: Answer = (NO, NEVER)
ALWAYS_UNKNOWN: Answer = (Truth.UNKNOWN, NEVER)
ALWAYS_YES: Answer = (Truth.YES, NEVER)


class Band(NamedTuple):
    """Where one of the pack's own signals must lie, in its base unit, ends included: above 95 % is
    from the next double after it on."""

    signal: str
    low: float
    high: float


def band_of(condition: Condition) -> Band | None:
    """The band that the condition asks for, if that is all that it asks."""
    match condition:
        case Compare(SignalValue(name), op, Quantity(level)) if name.startswith("pack."):
            match op:
                case ">=" | ">":
                    return Band(name, level if op == ">=" else nextafter(level, inf), inf)
                case "<=" | "<":
                    return Band(name, -inf, level if op == "<=" else nextafter(level, -inf))
                case "=":
                    return Band(name, level, level)
                case "!=":
                    return None
        case Between(SignalValue(name), low, high) if name.startswith("pack."):
            return Band(name, low.value, high.value)
        case And(parts):
            bands = [band_of(part) for part in parts]
            signals, lows, highs = zip(*[one or ("", 0, 0) for one in bands], strict=True)
            same = bands[0] and len(set(signals)) == 1
            return Band(signals[0], max(lows), min(highs)) if same else None
    return None


def lies_within(band: Band, max_age: Duration | None, general: Ask) -> Ask:
    """As `general`, at a third of its price. What moves by itself goes the long way round."""
    name, low, high = band
    age_max = NEVER if max_age is None else max_age

    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        reading = facts.readings.get(name)
        if type(reading) is not Known or now - reading.at > age_max:
            return ALWAYS_UNKNOWN
        if reading.slope:
            return general(facts, now, memory)
        return ALWAYS_YES if low <= reading.value <= high else ALWAYS_NO

    return run


def compare_values(left: Look, op: Op, right: Look, margin: float) -> Ask:
    """Two values of one dimension; nearer than `margin` times their spreads (1 sigma each) nobody
    knows."""

    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        a, b = left(facts, now, memory), right(facts, now, memory)
        until = min(a[3], b[3])
        if a[0] is None or b[0] is None:
            return Truth.UNKNOWN, until
        difference = a[0] - b[0]
        doubt = margin * (a[1] + b[1]) if margin else 0.0
        truth = _judge(difference, doubt, op)
        slope, grows = a[2] - b[2], margin * (a[4] + b[4]) if margin else 0.0
        if slope or grows:
            speed = abs(slope) + grows
            fuzz = max(speed * ROUNDING, 8 * math.ulp(max(abs(a[0]), abs(b[0]))))
            if grows:
                # It comes to the edge of its doubt no sooner than both at their fastest let it:
                # one looks there, and from there again.
                apart = abs(abs(difference) - doubt) - fuzz
                until = min(until, now + max(1, math.floor(apart / speed)))
            else:
                until = min(until, _next_change(difference, slope, doubt, op, truth, now, fuzz))
        return truth, until

    return run


def _judge(difference: float, doubt: float, op: Op) -> Truth:
    """The truth of `difference op 0` when the difference may be off by `doubt` either way."""
    if not doubt:
        return Truth.YES if compare(difference, op, 0.0) else Truth.NO
    low, high = difference - doubt, difference + doubt
    if op in ("=", "!="):
        apart = low > 0 or high < 0
        return Truth.UNKNOWN if not apart else Truth.YES if op == "!=" else Truth.NO
    ends = (compare(low, op, 0.0), compare(high, op, 0.0))
    return Truth.YES if all(ends) else Truth.NO if not any(ends) else Truth.UNKNOWN


def _next_change(
    difference: float, slope: float, doubt: float, op: Op, truth: Truth, now: Moment, fuzz: float
) -> Moment:
    """The first whole millisecond after `now` at which the moving difference may be judged anew.

    Where it comes within `fuzz` of an edge, rounding decides: one looks there, and sees.
    """
    soonest = NEVER
    for edge in {doubt, -doubt}:
        wait = (edge - difference) / slope
        if not -2 < wait < NEVER - now:
            continue
        near = math.floor(wait)
        for step in range(max(1, near - 1), near + 3):
            then = difference + slope * step
            if abs(then - edge) <= fuzz or _judge(then, doubt, op) is not truth:
                soonest = min(soonest, now + step)
                break
    return soonest

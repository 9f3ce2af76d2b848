"""A number out of a set of numbers, as a person would give one as an example.

Knows axes. Does not know what the number is to show.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import ceil, floor, inf

from carerules.domain.moment import DAY, HOUR, MINUTE, SECOND
from carerules.domain.quantity import DURATION
from carerules.lang.prove.axes import Axis, Motion
from carerules.lang.prove.ranges import Range, Ranges, holds, hull

# From a limit on, this far away, the first that fits: what a person would give as an example.
_STEPS_TIME = (DAY, 12 * HOUR, HOUR, 30 * MINUTE, 10 * MINUTE, MINUTE, SECOND, 1)
_STEPS = (1.0, 0.5, 0.1, 0.05, 0.01, 0.005, 0.001, 1e-4, 1e-5, 1e-6)


def pick(ranges: Ranges, row: Axis) -> float:
    """A number of the set that a person would give as an example, in base units; of a set that is
    not empty."""
    stretch = _best(ranges, row)
    (low, after), (high, upto) = stretch
    for number in _tries(stretch, row):
        number = round(number, 9)  # noqa: PLW2901 - without the dust of adding up
        if abs(number) != inf and holds((stretch,), number) and (not row.whole or number % 1 == 0):
            return number
    if row.whole:
        return float(floor(low) + 1 if after else ceil(low))
    return low if not after else high if upto else low + (high - low) / 3


def _tries(stretch: Range, row: Axis) -> Iterator[float]:
    (low, after), (high, upto) = stretch
    natural = hull(row.natural) if row.natural else ((-inf, 1), (inf, 0))
    free_low, free_high = (low, after) <= natural[0], (high, upto) >= natural[1]
    time = row.dimension == DURATION
    steps: Sequence[float] = _STEPS_TIME if time else _STEPS
    if row.motion is Motion.CLOCK:
        free_low, free_high, steps = False, True, steps[3:]
    if row.whole and not time and not free_low:
        yield low  # of a count the limit itself
    if free_low and free_high:
        yield 0.0
        yield from steps
    elif free_low and time:
        whole = round(high / SECOND) * SECOND  # `< 2 h` ends a millisecond before it
        yield from (whole - step for step in steps)
    elif free_low:
        yield high
        yield from (high - step for step in steps)
    elif free_high:
        yield from (low + step for step in steps)
    else:
        yield _middle(low, high, steps if time else ())
    yield from (low + step for step in steps)
    yield from (high - step for step in steps)
    yield (low + high) / 2


def _best(ranges: Ranges, row: Axis) -> Range:
    """The widest stretch; of a time of day the first, so that equal texts give equal witnesses."""
    if row.motion is Motion.CLOCK or len(ranges) == 1:
        return ranges[0]
    return max(ranges, key=lambda one: one[1][0] - one[0][0])


def _middle(low: float, high: float, units: Sequence[float]) -> float:
    """The middle, as round as still lies well inside: in whole units, or with few digits."""
    middle = (low + high) / 2
    rounds = [round(middle / unit) * unit for unit in units]
    for number in rounds or [round(middle, digits) for digits in range(-12, 10)]:
        if low + (high - low) / 4 <= number <= high - (high - low) / 4:
            return number
    return middle

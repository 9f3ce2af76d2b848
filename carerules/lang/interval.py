"""Between which bounds a value lies while a condition is true.

Knows intervals of one value at a time. Does not know relations between two values, nor time.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import inf
from typing import assert_never

from carerules.domain.condition import (
    And,
    Between,
    Compare,
    Condition,
    CountIn,
    CountSince,
    Crosses,
    For,
    NumberOfPacks,
    Op,
    OverWindow,
    SignalValue,
    TimeSince,
    TimeUntilUse,
    ValueOf,
)
from carerules.domain.frozen import frozen
from carerules.domain.quantity import Quantity
from carerules.domain.signal import Catalogue


@frozen  # each comparison of a file makes several
class Interval:
    """From `low` to `high`, in base units; `open_low`, `open_high`: without the bound itself."""

    low: float = -inf
    high: float = inf
    open_low: bool = False
    open_high: bool = False

    @property
    def empty(self) -> bool:
        """No number lies in it."""
        return self.low > self.high or (self.low == self.high and (self.open_low or self.open_high))

    def meet(self, other: Interval) -> Interval:
        """What lies in both."""
        low = max(self, other, key=lambda i: (i.low, i.open_low))
        high = min(self, other, key=lambda i: (i.high, not i.open_high))
        return Interval(low.low, high.high, low.open_low, high.open_high)


Bounds = Mapping[ValueOf, Interval]


def bounds(condition: Condition) -> Bounds:
    """For each value that the condition pins down: where it lies while the condition is true.

    A value that is not named may lie anywhere. `or`, `not` and `in last` pin down nothing here.
    """
    match condition:
        case Compare(value, op, Quantity(limit, _)) if not isinstance(value, Quantity):
            interval = _compared(op, limit)
            return {value: interval} if interval is not None else {}
        case Between(value, low, high):
            return {value: Interval(low.value, high.value)}
        case And(parts):
            together: dict[ValueOf, Interval] = {}
            for part in parts:
                for value, interval in bounds(part).items():
                    together[value] = together.get(value, Interval()).meet(interval)
            return together
        case Crosses(value, level, up):
            past = Interval(low=level.value, open_low=True)
            return {value: past if up else Interval(high=level.value, open_high=True)}
        case For(part, _):
            return bounds(part)  # what held all the time up to now holds now
        case _:
            return {}  # to say nothing of a kind is always right, if not always helpful


def natural(value: ValueOf, catalogue: Catalogue) -> Interval:
    """Where the value lies in any case: a signal's plausible range, a time or count from 0 on."""
    match value:
        case SignalValue(name, _):
            row = catalogue[name]
            return Interval(row.low, row.high)
        case OverWindow(kind, signal, _) if kind != "slope":
            return natural(signal, catalogue)
        case TimeSince() | TimeUntilUse() | CountSince() | CountIn() | NumberOfPacks():
            return Interval(0, inf)
        case _:
            return Interval()


def _compared(op: Op, limit: float) -> Interval | None:
    match op:
        case ">":
            return Interval(low=limit, open_low=True)
        case ">=":
            return Interval(low=limit)
        case "<":
            return Interval(high=limit, open_high=True)
        case "<=":
            return Interval(high=limit)
        case "=":
            return Interval(limit, limit)
        case "!=":
            return None
        case _:
            assert_never(op)

"""Which conditions the interval algebra covers, and the steps that each comes to.

Knows conditions and columns. Does not know rules. What it does not cover is said by name: nothing
is approximated.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import assert_never

import numpy as np

from carerules.domain.condition import (
    And,
    Between,
    Compare,
    Condition,
    CountIn,
    CountSince,
    Crosses,
    During,
    For,
    InLast,
    InSamples,
    Not,
    NumberOfPacks,
    OnDays,
    Op,
    Or,
    OverWindow,
    SignalValue,
    TimeSince,
    TimeUntilUse,
    ValueOf,
    values,
    walk,
)
from carerules.domain.moment import Duration, Moment
from carerules.domain.quantity import Quantity
from carerules.domain.signal import Catalogue
from carerules.domain.wording import value_wording, wording
from carerules.engine import inside, on_days
from carerules.replay.compare import Laid, compared, lay
from carerules.replay.steps import (
    NO,
    YES,
    Steps,
    all_of,
    any_of,
    crossed,
    held,
    not_,
    tidy,
    tiled,
    was,
)
from carerules.replay.tape import Column, Tape
from carerules.replay.told import column_of

_TURNED: dict[Op, Op] = {"<": ">", "<=": ">=", ">": "<", ">=": "<=", "=": "=", "!=": "!="}
"""A comparison read from its other side."""


def uncovered(condition: Condition) -> str:
    """What of a condition the algebra does not cover, in the author's words; empty: all is."""
    for part in walk(condition):
        if isinstance(part, InSamples):
            return f"`{wording(part)}` counts samples"
        for value in values(part):
            if isinstance(value, OverWindow):
                return f"`{value_wording(value)}` is a window"
            if isinstance(value, NumberOfPacks):
                return f"`{value_wording(value)}` counts packs"
        if isinstance(part, Compare) and _sides(part) is None:
            return f"`{wording(part)}` compares two values that both change"
    return ""


def signals_in(condition: Condition) -> Iterator[str]:
    """Every signal that a condition looks at, also inside a window or a number of packs."""
    for part in walk(condition):
        for value in values(part):
            match value:
                case SignalValue(name) | OverWindow(_, SignalValue(name)):
                    yield name
                case NumberOfPacks(where):
                    yield from signals_in(where)
                case _:
                    pass


def _sides(part: Compare) -> tuple[ValueOf, Op, float] | None:
    """The value, how, and against which limit; None: there is none, or nothing but limits."""
    match part:
        case Compare(Quantity(), _, Quantity()):
            return None
        case Compare(value, op, Quantity(limit)):
            return value, op, limit
        case Compare(Quantity(limit), op, value):
            return value, _TURNED[op], limit
        case _:
            return None


class Past:
    """What conditions came to on one tape; each is worked out once, whichever rules ask it."""

    def __init__(self, tape: Tape, signals: Catalogue) -> None:
        self._tape, self._signals = tape, signals
        self._axis = tape.axis
        self._laid: dict[ValueOf, Laid] = {}
        self._known: dict[Condition, Steps] = {}

    def steps(self, condition: Condition) -> Steps:
        """When the condition is yes, no and unknown. Asked only for one that is covered."""
        known = self._known.get(condition)
        if known is None:
            known = self._known[condition] = self._work_out(condition)
        return known

    def _work_out(self, condition: Condition) -> Steps:
        axis = self._axis
        match condition:
            case Compare():
                sides = _sides(condition)
                assert sides is not None, "only what is covered is asked for"
                return self._compared(*sides)
            case Between(value, low, high):
                sides_of = (self._compared(value, ">=", low.value),
                            self._compared(value, "<=", high.value))  # fmt: skip
                return all_of(axis, sides_of)
            case And(parts):
                return all_of(axis, [self.steps(part) for part in parts])
            case Or(parts):
                return any_of(axis, [self.steps(part) for part in parts])
            case Not(part):
                return not_(self.steps(part))
            case For(part, time):
                return held(axis, self.steps(part), time, self._bridge(part))
            case InLast(part, time):
                return was(axis, self.steps(part), time)
            case Crosses(value, level, up):
                return crossed(axis, self._compared(value, ">" if up else "<", level.value))
            case During() | OnDays():
                return self._by_the_clock(condition)
            case InSamples():
                raise AssertionError("only what is covered is asked for")
            case _:
                assert_never(condition)

    def _compared(self, value: ValueOf, op: Op, limit: float) -> Steps:
        laid = self._laid.get(value)
        if laid is None:
            laid = self._laid[value] = self._lay(value)
        return compared(laid, op, limit)

    def _lay(self, value: ValueOf) -> Laid:
        match value:
            case SignalValue(name, _):
                column = self._tape.columns.get(name)
                if column is None:  # nobody ever heard of it
                    none = np.empty(0, np.int64)
                    first = np.zeros(len(self._tape.packs) + 1, np.int64)
                    column = Column(first, none, np.empty(0))
                return lay(self._axis, column, self._signals[name].max_age)
            case TimeSince() | TimeUntilUse() | CountSince() | CountIn():
                return lay(self._axis, column_of(self._tape, value), None)
            case _:
                raise AssertionError("only what is covered is asked for")

    def _bridge(self, condition: Condition) -> Duration:
        """The least of the bridges of the signals inside: a gap must be short for each of them."""
        inside = [value for part in walk(condition) for value in values(part)]
        names = [value.name for value in inside if isinstance(value, SignalValue)]
        return min((self._signals[name].bridge for name in names), default=0)

    def _by_the_clock(self, condition: During | OnDays) -> Steps:
        """Windows of the day and days of the week: one look at the calendar serves all packs."""
        axis, tape = self._axis.alone, self._tape
        at, truth = list[Moment](), list[int]()
        ends = [since for since, _ in tape.local[1:]] + [tape.ends + 1]
        for (since, local), until in zip(tape.local, ends, strict=True):
            now = max(since, tape.begins)
            while now < until:
                match condition:
                    case During(window):
                        yes, change = inside(window, now, local)
                    case OnDays(days):
                        yes, change = on_days(days, now, local)
                at.append(now)
                truth.append(YES if yes else NO)
                now = change
        one = tidy(axis, axis.place(np.zeros(len(at), np.int64), np.array(at)), np.array(truth))
        return tiled(self._axis, one)

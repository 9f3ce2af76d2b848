"""Conditions and values in the canonical spelling of the language.

Knows their shape. Does not know how a file is laid out.
"""

from __future__ import annotations

from typing import assert_never

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
    Or,
    OverWindow,
    SignalValue,
    TimeSince,
    TimeUntilUse,
    ValueOf,
)
from carerules.domain.moment import show_duration
from carerules.domain.quantity import Quantity

DAY_NAMES = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

# How tightly each condition binds; a looser one inside a tighter one wants parentheses.
_BINDING: dict[type[Condition], int] = {
    Or: 0, And: 1, Not: 2, For: 3, InLast: 3, InSamples: 3,
}  # fmt: skip
_ALONE = 4  # what has no parts


_TRAILING = (For, InLast, InSamples)


def wording(condition: Condition) -> str:
    """The condition in the canonical spelling of the language."""

    def inside(part: Condition) -> str:
        text = wording(part)
        loose = _BINDING.get(type(part), _ALONE) < _BINDING.get(type(condition), _ALONE)
        # `A for D for E` does not parse: a hold of a hold wants parentheses too.
        nested = isinstance(part, _TRAILING) and isinstance(condition, _TRAILING)
        return f"({text})" if loose or nested else text

    match condition:
        case Compare(left, op, Quantity(value, dimension)) if dimension.unit == "on/off":
            return f"{value_wording(left)} is {'on' if (value != 0) == (op == '=') else 'off'}"
        case Compare(left, op, right):
            return f"{value_wording(left)} {op} {value_wording(right)}"
        case Between(value, low, high):
            return f"{value_wording(value)} between {low.show()} and {high.show()}"
        case And(inner):
            # `A and B for D` has two readings, and the language refuses it: show which is meant.
            held = [isinstance(part, _TRAILING) for part in inner]
            return " and ".join(
                f"({wording(part)})" if at and held[at] and not held[at - 1] else inside(part)
                for at, part in enumerate(inner)
            )
        case Or(inner):
            return " or ".join(inside(part) for part in inner)
        case Not(part):
            return f"not {inside(part)}"
        case For(part, time):
            return f"{inside(part)} for {show_duration(time)}"
        case InLast(part, time):
            return f"{inside(part)} in last {show_duration(time)}"
        case InSamples(part, least, of):
            return f"{inside(part)} in at least {least} of last {of} samples"
        case Crosses(value, level, up):
            verb = "rises above" if up else "falls below"
            return f"{value_wording(value)} {verb} {level.show()}"
        case During(window):
            return window.wording()
        case OnDays(days):
            return "on " + ", ".join(DAY_NAMES[day] for day in days)
        case _:
            assert_never(condition)


def value_wording(value: ValueOf) -> str:
    """A value in the canonical spelling of the language."""
    match value:
        case SignalValue(name, _):
            return name
        case TimeSince(event):
            return f"time since {event}"
        case TimeUntilUse():
            return "time until use"
        case CountSince(event, since):
            return f"count {event} since {since}"
        case CountIn(event, time):
            return f"count {event} in last {show_duration(time)}"
        case OverWindow(kind, signal, time):
            return f"{kind} of {signal.name} over {show_duration(time)}"
        case NumberOfPacks(where):
            return f"number of packs where ({wording(where)})"
        case Quantity():
            return value.show()
        case _:
            assert_never(value)

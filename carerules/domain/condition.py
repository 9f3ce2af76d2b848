"""What a rule asks: values, and the conditions made of them.

Knows their shape. Does not know text, positions, time or what is measured. Two conditions with one
meaning are equal, so a fingerprint of one is a fingerprint of its meaning.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal, TypeAlias, assert_never

from carerules.domain.action import DayWindow
from carerules.domain.frozen import guarded
from carerules.domain.moment import Duration
from carerules.domain.quantity import COUNT, DURATION, Dimension, Quantity


@guarded
class SignalValue:
    """A signal of the pack, of the station it is on, or of the site."""

    name: str
    dimension: Dimension


PERSON_EVENTS = ("charge", "full", "drain", "use", "calibration", "inspection", "swelling")
"""Events that everybody may count or measure from; a rule's `mark` may name others."""


@guarded
class TimeSince:
    """Time since an event last happened to the pack; never happened: longer than any time."""

    event: str


@guarded
class TimeUntilUse:
    """Time until the pack's next planned use; none planned: longer than any time."""


@guarded
class CountSince:
    """How often `event` happened since `since` last did; `since` never did: since ever."""

    event: str
    since: str


@guarded
class CountIn:
    """How often `event` happened in the last `time`."""

    event: str
    time: Duration


WindowKind: TypeAlias = Literal["max", "min", "mean", "slope"]


@guarded
class OverWindow:
    """`max of S over D`: what a signal was over the last `time`; `slope` is a day's change.

    Only what was known counts. The slope is the median of the slopes between all pairs of points
    (Theil 1950, Sen 1968): a few wild readings do not bend it.
    """

    kind: WindowKind
    signal: SignalValue
    time: Duration


@guarded
class NumberOfPacks:
    """How many of the site's packs the condition is true for."""

    where: Condition


ValueOf: TypeAlias = (
    SignalValue | TimeSince | TimeUntilUse | CountSince | CountIn | OverWindow | NumberOfPacks
    | Quantity
)  # fmt: skip


Op: TypeAlias = Literal["<", "<=", ">", ">=", "=", "!="]


@guarded
class Compare:
    """A comparison of two values of one dimension; `is on` is `= 1` on a switch."""

    left: ValueOf
    op: Op
    right: ValueOf


@guarded
class Between:
    """`low <= value <= high`."""

    value: ValueOf
    low: Quantity
    high: Quantity


@guarded
class And:
    """All of them."""

    parts: tuple[Condition, ...]


@guarded
class Or:
    """At least one of them."""

    parts: tuple[Condition, ...]


@guarded
class Not:
    """The opposite; unknown stays unknown."""

    part: Condition


@guarded
class For:
    """`part for time`: true without a break over the whole time up to now."""

    part: Condition
    time: Duration


@guarded
class InLast:
    """`part in last time`: true at some instant of the time up to now."""

    part: Condition
    time: Duration


@guarded
class During:
    """Inside a stretch of each day, by the site's wall clock."""

    window: DayWindow


@guarded
class OnDays:
    """On these weekdays, Monday 0, in order."""

    days: tuple[int, ...]


@guarded
class Crosses:
    """`S rises above L`, `S falls below L`: beyond the level, having been seen on its other side.

    A value that was unknown before has crossed nothing.
    """

    value: ValueOf
    level: Quantity
    up: bool


@guarded
class InSamples:
    """`C in at least 3 of last 5 samples`: true for so many of the samples that came last."""

    part: Condition
    least: int
    of: int


Condition: TypeAlias = (
    Compare | Between | And | Or | Not | For | InLast | During | OnDays | Crosses | InSamples
)


def compare(left: float, op: Op, right: float) -> bool:
    """One comparison of two numbers in one base unit."""
    match op:
        case "<":
            return left < right
        case "<=":
            return left <= right
        case ">":
            return left > right
        case ">=":
            return left >= right
        case "=":
            return left == right
        case "!=":
            return left != right
        case _:
            assert_never(op)


def parts(condition: Condition) -> tuple[Condition, ...]:
    """The conditions directly inside this one."""
    match condition:
        case And(inner) | Or(inner):
            return inner
        case Not(part) | For(part, _) | InLast(part, _) | InSamples(part, _, _):
            return (part,)
        case Compare() | Between() | During() | OnDays() | Crosses():
            return ()
        case _:
            assert_never(condition)


def walk(condition: Condition) -> Iterator[Condition]:
    """This condition and all inside it, outermost first."""
    yield condition
    for part in parts(condition):
        yield from walk(part)


def values(condition: Condition) -> tuple[ValueOf, ...]:
    """The values that this very condition compares, not those of its parts."""
    match condition:
        case Compare(left, _, right):
            return (left, right)
        case Between(value, low, high):
            return (value, low, high)
        case Crosses(value, level, _):
            return (value, level)
        case _:
            return ()


def dimension_of(value: ValueOf) -> Dimension:
    """The dimension of a value."""
    match value:
        case SignalValue(_, dimension) | Quantity(_, dimension):
            return dimension
        case TimeSince() | TimeUntilUse():
            return DURATION
        case CountSince() | CountIn() | NumberOfPacks():
            return COUNT
        case OverWindow(kind, signal, _):
            return signal.dimension.rate() if kind == "slope" else signal.dimension
        case _:
            assert_never(value)

"""Checked rules: what lang makes of text and what the engine runs.

Knows the shape of conditions and rules. Does not know text, positions (beyond a rule's own), time
or values. Two conditions with one meaning are equal, so a fingerprint of one is a fingerprint of
its meaning: names, comments and layout do not enter.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from hashlib import sha256
from typing import Literal, TypeAlias, assert_never

from carerules.domain.action import Action, DayWindow
from carerules.domain.diagnostic import Span
from carerules.domain.moment import Duration, show_duration
from carerules.domain.pack import Pack
from carerules.domain.quantity import COUNT, DURATION, Dimension, Quantity

# ---- values ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SignalValue:
    """A signal of the pack, of the station it is on, or of the site."""

    name: str
    dimension: Dimension


@dataclass(frozen=True, slots=True)
class TimeSince:
    """Time since an event last happened to the pack; never happened: longer than any time."""

    event: str


@dataclass(frozen=True, slots=True)
class TimeUntilUse:
    """Time until the pack's next planned use; none planned: longer than any time."""


@dataclass(frozen=True, slots=True)
class CountSince:
    """How often `event` happened since `since` last did; `since` never did: since ever."""

    event: str
    since: str


@dataclass(frozen=True, slots=True)
class CountIn:
    """How often `event` happened in the last `time`."""

    event: str
    time: Duration


WindowKind: TypeAlias = Literal["max", "min", "mean", "slope"]


@dataclass(frozen=True, slots=True)
class OverWindow:
    """`max of S over D`: what a signal was over the last `time`; `slope` is a day's change.

    Only what was known counts. The slope is the median of the slopes between all pairs of points
    (Theil 1950, Sen 1968): a few wild readings do not bend it.
    """

    kind: WindowKind
    signal: SignalValue
    time: Duration


@dataclass(frozen=True, slots=True)
class NumberOfPacks:
    """How many of the site's packs the condition is true for."""

    where: Condition


ValueOf: TypeAlias = (
    SignalValue | TimeSince | TimeUntilUse | CountSince | CountIn | OverWindow | NumberOfPacks
    | Quantity
)  # fmt: skip

# ---- conditions ------------------------------------------------------------------------------

Op: TypeAlias = Literal["<", "<=", ">", ">=", "=", "!="]


@dataclass(frozen=True, slots=True)
class Compare:
    """A comparison of two values of one dimension; `is on` is `= 1` on a switch."""

    left: ValueOf
    op: Op
    right: ValueOf


@dataclass(frozen=True, slots=True)
class Between:
    """`low <= value <= high`."""

    value: ValueOf
    low: Quantity
    high: Quantity


@dataclass(frozen=True, slots=True)
class And:
    """All of them."""

    parts: tuple[Condition, ...]


@dataclass(frozen=True, slots=True)
class Or:
    """At least one of them."""

    parts: tuple[Condition, ...]


@dataclass(frozen=True, slots=True)
class Not:
    """The opposite; unknown stays unknown."""

    part: Condition


@dataclass(frozen=True, slots=True)
class For:
    """`part for time`: true without a break over the whole time up to now."""

    part: Condition
    time: Duration


@dataclass(frozen=True, slots=True)
class InLast:
    """`part in last time`: true at some instant of the time up to now."""

    part: Condition
    time: Duration


@dataclass(frozen=True, slots=True)
class During:
    """Inside a stretch of each day, by the site's wall clock."""

    window: DayWindow


@dataclass(frozen=True, slots=True)
class OnDays:
    """On these weekdays, Monday 0, in order."""

    days: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Crosses:
    """`S rises above L`, `S falls below L`: beyond the level, having been seen on its other side.

    A value that was unknown before has crossed nothing.
    """

    value: ValueOf
    level: Quantity
    up: bool


@dataclass(frozen=True, slots=True)
class InSamples:
    """`C in at least 3 of last 5 samples`: true for so many of the samples that came last."""

    part: Condition
    least: int
    of: int


Condition: TypeAlias = (
    Compare | Between | And | Or | Not | For | InLast | During | OnDays | Crosses | InSamples
)

# ---- which packs -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Named:
    """`pack heron`."""

    name: str


@dataclass(frozen=True, slots=True)
class ChemistryIs:
    """`lipo packs`, `packs where chemistry is lipo`."""

    chemistry: str


@dataclass(frozen=True, slots=True)
class Tagged:
    """`smart packs`, `packs where tagged "smart"`."""

    tag: str


@dataclass(frozen=True, slots=True)
class RoleIs:
    """`packs where role is boat`."""

    role: str


@dataclass(frozen=True, slots=True)
class Rated:
    """`packs where cells = 4`, `packs where capacity > 2 Ah`: by what stands on the label."""

    what: Literal["cells", "capacity"]
    op: Op
    value: float


@dataclass(frozen=True, slots=True)
class AllOf:
    """All of them; of none: every pack."""

    parts: tuple[Selector, ...] = ()


@dataclass(frozen=True, slots=True)
class AnyOf:
    """At least one of them."""

    parts: tuple[Selector, ...]


@dataclass(frozen=True, slots=True)
class NoneOf:
    """Not this."""

    part: Selector


Selector: TypeAlias = Named | ChemistryIs | Tagged | RoleIs | Rated | AllOf | AnyOf | NoneOf

EVERY_PACK: Selector = AllOf()


def selects(selector: Selector, pack: Pack) -> bool:
    """Whether the selector takes in the pack."""
    match selector:
        case Named(name):
            return pack.name == name
        case ChemistryIs(chemistry):
            return pack.chemistry == chemistry
        case Tagged(tag):
            return tag in pack.tags
        case RoleIs(role):
            return pack.role == role
        case Rated(what, op, value):
            rated = float(pack.cells) if what == "cells" else pack.capacity_ah
            return compare(rated, op, value)
        case AllOf(parts):
            return all(selects(part, pack) for part in parts)
        case AnyOf(parts):
            return any(selects(part, pack) for part in parts)
        case NoneOf(part):
            return not selects(part, pack)
        case _:
            assert_never(selector)


def compare(left: float, op: Op, right: float) -> bool:
    """One comparison of two numbers."""
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


# ---- rules -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Rule:
    """A care rule. `over` names the rules that give way to it where both want the pack."""

    name: str
    selector: Selector
    when: Condition
    actions: tuple[Action, ...]
    span: Span
    over: frozenset[str] = frozenset()
    because: str = ""
    stop_when: Condition | None = None
    rearm_when: Condition | None = None

    @property
    def key(self) -> str:
        """Fingerprint of when it fires: selector, condition, re-arming; no name, no text."""
        meaning = repr((self.selector, self.when, self.rearm_when))
        return sha256(meaning.encode()).hexdigest()[:16]


Forbidden: TypeAlias = Literal["charge", "drain"]


@dataclass(frozen=True, slots=True)
class Never:
    """An interlock of the author's own: it can only forbid, on the pessimistic bound."""

    action: Forbidden
    selector: Selector
    when: Condition
    span: Span


@dataclass(frozen=True, slots=True)
class Plan:
    """All rules of a site, checked, in the order of the text."""

    rules: tuple[Rule, ...] = ()
    nevers: tuple[Never, ...] = ()


# ---- walking and wording ---------------------------------------------------------------------


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


DAY_NAMES = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

# How tightly each condition binds; a looser one inside a tighter one wants parentheses.
_BINDING: dict[type[Condition], int] = {
    Or: 0, And: 1, Not: 2, For: 3, InLast: 3, InSamples: 3, Compare: 4, Between: 4, During: 4,
    OnDays: 4, Crosses: 4,
}  # fmt: skip


_TRAILING = (For, InLast, InSamples)


def wording(condition: Condition) -> str:
    """The condition in the canonical spelling of the language."""

    def inside(part: Condition) -> str:
        text = wording(part)
        loose = _BINDING[type(part)] < _BINDING[type(condition)]
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

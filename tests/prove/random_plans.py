"""Small random plans, and what trying out every value says of them: the tests' own ground truth.

A condition is tried over histories: which values held one, two and three hours ago and now, each
value out of the limits that occur, a little beside them, and between. For signals that anything may
change at any time this is all there is: the prover may find neither more nor less.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import product
from typing import TypeAlias

from hypothesis import strategies as st

from carerules.domain.action import Drain
from carerules.domain.condition import (
    And,
    Between,
    Compare,
    Condition,
    For,
    InLast,
    Not,
    Or,
    SignalValue,
    ValueOf,
    compare,
    values,
    walk,
)
from carerules.domain.diagnostic import Span
from carerules.domain.moment import HOUR
from carerules.domain.plan import Rule
from carerules.domain.quantity import CHARGE_LEVEL, POWER, SWITCH, TEMPERATURE, Quantity
from carerules.domain.selector import EVERY_PACK

SOC = SignalValue("pack.soc", CHARGE_LEVEL)
WARMTH = SignalValue("pack.temperature", TEMPERATURE)
ROOM = SignalValue("site.temperature", TEMPERATURE)
SMOKE = SignalValue("site.smoke", SWITCH)
LOAD = SignalValue("station.load.power", POWER)

LIMITS = {SOC: (40.0, 60.0), WARMTH: (5.0, 45.0), ROOM: (20.0,), SMOKE: (1.0,)}
RANGES = {SOC: (0.0, 100.0), WARMTH: (-40.0, 120.0), ROOM: (-40.0, 80.0), SMOKE: (0.0, 1.0)}
OPS = ("<", "<=", ">", ">=", "=", "!=")


def atoms(signals: Sequence[SignalValue]) -> st.SearchStrategy[Condition]:
    def about(signal: SignalValue) -> st.SearchStrategy[Condition]:
        limits = [Quantity(limit, signal.dimension) for limit in LIMITS[signal]]
        ops = ("=", "!=") if signal is SMOKE else OPS
        one = st.builds(Compare, st.just(signal), st.sampled_from(ops), st.sampled_from(limits))
        if len(limits) < 2:
            return one
        return one | st.just(Between(signal, limits[0], limits[1]))

    return st.one_of([about(signal) for signal in signals])


def conditions(
    signals: Sequence[SignalValue], *, timed: bool = True, leaves: int = 6
) -> st.SearchStrategy[Condition]:
    """Trees of `and`, `or`, `not`, and (timed) `for` and `in last` an hour or two."""

    def grown(inner: st.SearchStrategy[Condition]) -> st.SearchStrategy[Condition]:
        many = st.lists(inner, min_size=2, max_size=3).map(tuple)
        kinds = [st.builds(And, many), st.builds(Or, many), st.builds(Not, inner)]
        if timed:
            time = st.sampled_from((HOUR, 2 * HOUR))
            kinds += [st.builds(For, inner, time), st.builds(InLast, inner, time)]
        return st.one_of(kinds)

    return st.recursive(atoms(signals), grown, max_leaves=leaves)


def rule(name: str, when: Condition, target: float = 0.0) -> Rule:
    line = 1 + ord(name[0]) - ord("a")
    return Rule(name, EVERY_PACK, when, (Drain(target),), Span("random.care", line, 1, line, 2))


# ---- trying out every history --------------------------------------------------------------------

At: TypeAlias = dict[ValueOf, float]


def grid(wholes: Sequence[Condition]) -> list[At]:
    """Every combination of values that can make a difference."""
    signals = sorted(
        {v for whole in wholes for c in walk(whole) for v in values(c) if v in LIMITS},
        key=lambda signal: signal.name,  # type: ignore[union-attr]
    )
    columns: list[list[float]] = []
    for signal in signals:
        low, high = RANGES[signal]  # type: ignore[index]
        if signal is SMOKE:
            columns.append([0.0, 1.0])
            continue
        used = {
            v.value for whole in wholes for c in walk(whole) if signal in values(c)
            for v in values(c) if isinstance(v, Quantity)
        }  # fmt: skip
        near = {limit + by for limit in used for by in (-1e-6, 0.0, 1e-6)}
        columns.append(sorted({low, high, *near}))
    return [dict(zip(signals, numbers, strict=True)) for numbers in product(*columns)]


def holds_now(condition: Condition, at: At) -> bool:
    """The truth of a condition without times, at one instant."""
    match condition:
        case Compare(left, op, right):
            return compare(_value(left, at), op, _value(right, at))
        case Between(value, low, high):
            return low.value <= _value(value, at) <= high.value
        case And(parts):
            return all(holds_now(part, at) for part in parts)
        case Or(parts):
            return any(holds_now(part, at) for part in parts)
        case Not(part):
            return not holds_now(part, at)
        case _:
            raise AssertionError(f"{condition} looks back")


def _value(value: ValueOf, at: At) -> float:
    return value.value if isinstance(value, Quantity) else at[value]


def holds(condition: Condition, history: Sequence[At], moment: int) -> bool:
    """The truth of a condition at one moment of a history; before its first it was as it was then.

    `for` looks at every moment from so long ago on, the first one too; so does `in last`, which a
    value that ended just then no longer makes true, but one that went on through it does.
    """
    match condition:
        case And(parts):
            return all(holds(part, history, moment) for part in parts)
        case Or(parts):
            return any(holds(part, history, moment) for part in parts)
        case Not(part):
            return not holds(part, history, moment)
        case For(part, time):
            first = moment - time // HOUR
            return all(holds(part, history, at) for at in range(first, moment + 1))
        case InLast(part, time):
            first = moment - time // HOUR
            return any(holds(part, history, at) for at in range(first, moment + 1))
        case _:
            return holds_now(condition, history[max(0, moment)])


def classes(wholes: Sequence[Condition], points: Sequence[At]) -> list[At]:
    """One point of each kind: those that all comparisons find alike need not be tried twice."""
    leaves = {c for whole in wholes for c in walk(whole) if isinstance(c, (Compare, Between))}
    ordered = sorted(leaves, key=repr)
    seen: dict[tuple[bool, ...], At] = {}
    for at in points:
        seen.setdefault(tuple(holds_now(leaf, at) for leaf in ordered), at)
    return list(seen.values())


def depth(condition: Condition) -> int:
    """How many hours back the condition looks."""
    inner = max((depth(part) for part in _parts(condition)), default=0)
    own = condition.time // HOUR if isinstance(condition, (For, InLast)) else 0
    return inner + own


def _parts(condition: Condition) -> Iterator[Condition]:
    match condition:
        case And(parts) | Or(parts):
            yield from parts
        case Not(part) | For(part, _) | InLast(part, _):
            yield part
        case _:
            pass


def ever_true(wholes: Sequence[Condition]) -> bool:
    """Whether there is a history at whose end all of them are true."""
    points = classes(wholes, grid(wholes))
    back = max(depth(whole) for whole in wholes) + 1
    return any(
        all(holds(whole, history, back - 1) for whole in wholes)
        for history in product(points, repeat=back)
    )

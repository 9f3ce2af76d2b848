"""Conditions made ready to run: closures that say yes, no or unknown, and until when.

Knows facts as readings. Does not know where they come from, nor which rule asks. The `until` of an
answer is the first moment at which it could differ although nothing new was heard: a deadline, a
reading that goes stale, a time that passes a limit. Looked at then, every answer is exact.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from operator import eq, ge, gt, le, lt, ne
from typing import TypeAlias, assert_never

from carerules.domain.condition import (
    And,
    Between,
    Compare,
    Condition,
    Crosses,
    During,
    For,
    InLast,
    InSamples,
    Not,
    OnDays,
    Op,
    Or,
    SignalValue,
    ValueOf,
    compare,
    values,
)
from carerules.domain.frozen import guarded
from carerules.domain.moment import NEVER, Duration, LocalTime, Moment
from carerules.domain.quantity import Known, Quantity, Truth
from carerules.domain.signal import Catalogue
from carerules.engine import window
from carerules.engine.hold import (
    FRESH_EDGE,
    FRESH_LAST,
    FRESH_PAST,
    FRESH_RUN,
    Edge,
    Last,
    Memory,
    Past,
    Run,
    crosses,
    hold_for,
    of_last,
    was_in_last,
)
from carerules.engine.value import Facts, Look, make_look, signals_of

Answer: TypeAlias = tuple[Truth, Moment]
Run_: TypeAlias = Callable[[Facts, Moment, list[Memory]], Answer]

PESSIMISM = 2.0
"""An interlock reasons on the value plus and minus this many spreads (SAFETY: two sigma)."""

ROUNDING = 1e-3
"""Part of a millisecond by which two ways of reckoning one moving value may come apart: many times
more than what doubles lose over a year."""


@guarded
class Ready:
    """A condition ready to run, its parts likewise, and what it remembers when fresh.

    `place` is where in the whole condition's memory its own is kept, if it looks back itself.
    """

    condition: Condition
    run: Run_
    parts: tuple[Ready, ...]
    fresh: tuple[Memory, ...]
    reads: frozenset[str]
    place: int | None


def make_ready(condition: Condition, signals: Catalogue, *, pessimistic: bool = False) -> Ready:
    """Compile a condition. Pessimistic: on value ± 2 spreads, and a gap leaves a `for` in doubt."""
    return _Compiler(signals, PESSIMISM if pessimistic else 0.0).ready(condition)


class _Compiler:
    """Hands out places in the memory in the order of the walk."""

    def __init__(self, signals: Catalogue, margin: float) -> None:
        self.signals = signals
        self.margin = margin
        self.fresh: list[Memory] = []

    def ready(self, condition: Condition) -> Ready:
        first = len(self.fresh)
        parts: tuple[Ready, ...] = ()
        place: int | None = None
        run: Run_
        match condition:
            case Compare(left, op, right):
                run = self._comparison(left, op, right)
            case Between(value, low, high):
                run = _all(
                    [self._comparison(value, ">=", low), self._comparison(value, "<=", high)]
                )
            case And(inner):
                parts = tuple(self.ready(part) for part in inner)
                run = _all([part.run for part in parts])
            case Or(inner):
                parts = tuple(self.ready(part) for part in inner)
                run = _any([part.run for part in parts])
            case Not(part):
                parts = (self.ready(part),)
                run = _not(parts[0].run)
            case For(part, time):
                place = self._place(FRESH_RUN)
                parts = (self.ready(part),)
                bridge = None if self.margin else self._bridge(parts[0].reads)
                run = _for(place, parts[0].run, time, bridge)
            case InLast(part, time):
                place = self._place(FRESH_PAST)
                parts = (self.ready(part),)
                run = _in_last(place, parts[0].run, time)
            case During(stretch):
                run = _clock(lambda now, local: window.inside(stretch, now, local))
            case OnDays(days):
                run = _clock(lambda now, local: window.on_days(days, now, local))
            case Crosses(value, level, up):
                place = self._place(FRESH_EDGE)
                run = _crossing(place, self._comparison(value, ">" if up else "<", level))
            case InSamples(part, least, of):
                place = self._place(FRESH_LAST)
                parts = (self.ready(part),)
                run = _of_last(place, parts[0], least, of)
            case _:
                assert_never(condition)
        own = {name for value in values(condition) for name in signals_of(value)}
        reads = frozenset(own).union(*(part.reads for part in parts))
        return Ready(condition, run, parts, tuple(self.fresh[first:]), reads, place)

    def _comparison(self, left: ValueOf, op: Op, right: ValueOf) -> Run_:
        general = _comparison(self._look(left), op, self._look(right), self.margin)
        match left, right:
            case SignalValue(name), Quantity(level) if name.startswith("pack.") and not self.margin:
                return _limit(name, self.signals[name].max_age, _HOLDS[op], level, general)
            case _:
                return general

    def _look(self, value: ValueOf) -> Look:
        return make_look(value, self.signals, self._place)

    def _place(self, fresh: Memory) -> int:
        self.fresh.append(fresh)
        return len(self.fresh) - 1

    def _bridge(self, reads: frozenset[str]) -> Duration:
        """The least of the bridges of the signals inside: a gap must be short for each of them."""
        return min((self.signals[name].bridge for name in reads), default=0)


# ---- conditions ------------------------------------------------------------------------------

_HOLDS: Mapping[Op, Callable[[float, float], bool]] = {
    "<": lt, "<=": le, ">": gt, ">=": ge, "=": eq, "!=": ne,
}  # fmt: skip
_NO: Answer = (Truth.NO, NEVER)
_UNKNOWN: Answer = (Truth.UNKNOWN, NEVER)
_YES: Answer = (Truth.YES, NEVER)


def _limit(
    name: str, max_age: Duration | None, holds: Callable[[float, float], bool], level: float,
    general: Run_,
) -> Run_:  # fmt: skip
    """As `general`, a third as dear: one of the pack's own signals against a number, as most
    comparisons are. What moves by itself goes the long way round."""
    age_max = NEVER if max_age is None else max_age

    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        reading = facts.readings.get(name)
        if type(reading) is not Known or now - reading.at > age_max:
            return _UNKNOWN
        if reading.slope:
            return general(facts, now, memory)
        return _YES if holds(reading.value, level) else _NO

    return run


def _comparison(left: Look, op: Op, right: Look, margin: float) -> Run_:
    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        a, b = left(facts, now, memory), right(facts, now, memory)
        until = min(a[3], b[3])
        if a[0] is None or b[0] is None:
            return Truth.UNKNOWN, until
        difference = a[0] - b[0]
        doubt = margin * (a[1] + b[1]) if margin else 0.0
        truth = _judge(difference, doubt, op)
        slope = a[2] - b[2]
        if slope:
            fuzz = max(abs(slope) * ROUNDING, 8 * math.ulp(max(abs(a[0]), abs(b[0]))))
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


def _all(runs: list[Run_]) -> Run_:
    if len(runs) == 2:
        return _both(*runs)

    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        truth, until = _YES
        for part in runs:  # every part, always: each keeps its own memory
            one, its_until = part(facts, now, memory)
            truth = min(truth, one)
            until = min(until, its_until)
        return truth, until

    return run


def _both(first: Run_, second: Run_) -> Run_:
    """Two of them, as most are: without the price of a walk."""

    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        truth, until = first(facts, now, memory)
        one, its_until = second(facts, now, memory)
        return (truth if truth < one else one), (until if until < its_until else its_until)

    return run


def _any(runs: list[Run_]) -> Run_:
    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        truth, until = _NO
        for part in runs:
            one, its_until = part(facts, now, memory)
            truth = max(truth, one)
            until = min(until, its_until)
        return truth, until

    return run


def _not(part: Run_) -> Run_:
    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        truth, until = part(facts, now, memory)
        return truth.negated(), until

    return run


def _for(place: int, part: Run_, time: Duration, bridge: Duration | None) -> Run_:
    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        inner, until = part(facts, now, memory)
        held = memory[place]
        assert isinstance(held, Run)
        memory[place], truth, due = hold_for(held, inner, now, time, bridge)
        return truth, due if due < until else until

    return run


def _in_last(place: int, part: Run_, time: Duration) -> Run_:
    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        inner, until = part(facts, now, memory)
        held = memory[place]
        assert isinstance(held, Past)
        memory[place], truth, due = was_in_last(held, inner, now, time)
        return truth, min(until, due)

    return run


def _crossing(place: int, beyond: Run_) -> Run_:
    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        inner, until = beyond(facts, now, memory)
        edge = memory[place]
        assert isinstance(edge, Edge)
        memory[place], truth = crosses(edge, inner)
        return truth, until

    return run


def _of_last(place: int, part: Ready, least: int, of: int) -> Run_:
    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        inner, until = part.run(facts, now, memory)
        last = memory[place]
        assert isinstance(last, Last)
        memory[place], truth = of_last(last, inner, _newest(facts, part.reads), least, of)
        return truth, until

    return run


def _newest(facts: Facts, names: frozenset[str]) -> Moment:
    """When the newest of these signals was sampled."""
    found = (
        facts.readings.get(name) or facts.station.get(name) or facts.site.get(name)
        for name in names
    )
    return max((one.at for one in found if isinstance(one, Known)), default=-1)


def _clock(ask: Callable[[Moment, LocalTime], tuple[bool, Moment]]) -> Run_:
    def run(facts: Facts, now: Moment, _memory: list[Memory]) -> Answer:
        yes, until = ask(now, facts.local)
        return (Truth.YES if yes else Truth.NO), until

    return run

"""Conditions made ready to run: closures that say yes, no or unknown, and until when.

Knows facts as readings. Does not know where they come from, nor which rule asks. The `until` of an
answer is the first moment at which it could differ although nothing new was heard: a deadline, a
reading that goes stale, a time that passes a limit. Looked at then, every answer is exact.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from typing import assert_never

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
    ValueOf,
    values,
)
from carerules.domain.frozen import guarded
from carerules.domain.moment import Duration, LocalTime, Moment
from carerules.domain.quantity import Known, Truth
from carerules.domain.signal import Catalogue
from carerules.engine import window
from carerules.engine.comparison import (
    ALWAYS_NO,
    ALWAYS_YES,
    NO,
    Answer,
    Ask,
    band_of,
    compare_values,
    lies_within,
)
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

PESSIMISM = 2.0
"""An interlock reasons on the value plus and minus this many spreads (SAFETY 6)."""


@guarded
class Ready:
    """A condition ready to run, its parts likewise, and what it remembers when fresh.

    `place` is where in the whole condition's memory its own is kept, if it looks back itself.
    """

    condition: Condition
    run: Ask
    parts: tuple[Ready, ...]
    fresh: tuple[Memory, ...]
    reads: frozenset[str]
    place: int | None


def make_ready(condition: Condition, signals: Catalogue, *, pessimistic: bool = False) -> Ready:
    """Compile a condition. Pessimistic: on value ± 2 spreads, and a gap leaves a `for` in doubt."""
    return _Compiler(signals, PESSIMISM if pessimistic else 0.0).ready(condition)


def looks_back(ready: Ready, names: Collection[str]) -> bool:
    """Whether any part of it remembers what one of these signals was."""
    if ready.place is not None or not ready.parts:
        return bool(ready.fresh) and not ready.reads.isdisjoint(names)
    return any(looks_back(part, names) for part in ready.parts)


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
        run: Ask
        match condition:
            case Compare(left, op, right):
                run = self._in_short(condition, self._comparison(left, op, right))
            case Between(value, low, high):
                ends = (Compare(value, ">=", low), Compare(value, "<=", high))
                run = self._in_short(condition, _all([self.ready(one) for one in ends]))
            case And(inner):
                parts = tuple(self.ready(part) for part in inner)
                run = self._in_short(condition, _all(parts))
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

    def _comparison(self, left: ValueOf, op: Op, right: ValueOf) -> Ask:
        return compare_values(self._look(left), op, self._look(right), self.margin)

    def _in_short(self, condition: Condition, general: Ask) -> Ask:
        """The same in one step, where all that is asked is whether one of the pack's own signals
        lies in a band: most conditions are that, or are made of such."""
        band = None if self.margin else band_of(condition)
        return lies_within(band, self.signals[band.signal].max_age, general) if band else general

    def _look(self, value: ValueOf) -> Look:
        return make_look(value, self.signals, self._place)

    def _place(self, fresh: Memory) -> int:
        self.fresh.append(fresh)
        return len(self.fresh) - 1

    def _bridge(self, reads: frozenset[str]) -> Duration:
        """The least of the bridges of the signals inside: a gap must be short for each of them."""
        return min((self.signals[name].bridge for name in reads), default=0)


# ---- conditions ------------------------------------------------------------------------------


def _all(parts: Sequence[Ready]) -> Ask:
    """Those that keep a memory are asked always, for they have to see all; of the others none need
    be asked once the answer is no."""
    always = [part.run for part in parts if part.fresh]
    others = [part.run for part in parts if not part.fresh]
    if len(parts) == 2 and others:
        return _both(*always, *others)

    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        truth, until = ALWAYS_YES
        for part in always:
            one, its_until = part(facts, now, memory)
            truth = min(truth, one)
            until = min(until, its_until)
        for part in others:
            if truth is NO:
                break
            one, its_until = part(facts, now, memory)
            truth = min(truth, one)
            until = min(until, its_until)
        return truth, until

    return run


def _both(first: Ask, second: Ask) -> Ask:
    """Two of them, as most are: without the price of a walk. The second keeps no memory."""

    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        answer = first(facts, now, memory)
        truth, until = answer
        if truth is NO:
            return answer
        one, its_until = second(facts, now, memory)
        return (truth if truth < one else one), (until if until < its_until else its_until)

    return run


def _any(runs: list[Ask]) -> Ask:
    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        truth, until = ALWAYS_NO
        for part in runs:
            one, its_until = part(facts, now, memory)
            truth = max(truth, one)
            until = min(until, its_until)
        return truth, until

    return run


def _not(part: Ask) -> Ask:
    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        truth, until = part(facts, now, memory)
        return truth.negated(), until

    return run


def _for(place: int, part: Ask, time: Duration, bridge: Duration | None) -> Ask:
    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        inner, until = part(facts, now, memory)
        if inner is NO:  # as `hold_for` has it, without the call
            memory[place] = FRESH_RUN
            return NO, until
        held = memory[place]
        assert isinstance(held, Run)
        memory[place], truth, due = hold_for(held, inner, now, time, bridge)
        return truth, due if due < until else until

    return run


def _in_last(place: int, part: Ask, time: Duration) -> Ask:
    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        inner, until = part(facts, now, memory)
        held = memory[place]
        assert isinstance(held, Past)
        memory[place], truth, due = was_in_last(held, inner, now, time)
        return truth, min(until, due)

    return run


def _crossing(place: int, beyond: Ask) -> Ask:
    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        inner, until = beyond(facts, now, memory)
        edge = memory[place]
        assert isinstance(edge, Edge)
        memory[place], truth = crosses(edge, inner)
        return truth, until

    return run


def _of_last(place: int, part: Ready, least: int, of: int) -> Ask:
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


def _clock(ask: Callable[[Moment, LocalTime], tuple[bool, Moment]]) -> Ask:
    def run(facts: Facts, now: Moment, _memory: list[Memory]) -> Answer:
        yes, until = ask(now, facts.local)
        return (Truth.YES if yes else Truth.NO), until

    return run

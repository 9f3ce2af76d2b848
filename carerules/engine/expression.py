"""Conditions made ready to run: closures that say yes, no or unknown, and until when.

Knows facts as readings. Does not know where they come from, nor which rule asks. The `until` of an
answer is the first moment at which it could differ although nothing new was heard: a deadline, a
reading that goes stale, a time that passes a limit. Looked at then, every answer is exact.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeAlias, assert_never

from carerules.domain.moment import NEVER, Duration, LocalTime, Moment
from carerules.domain.plan import (
    And,
    Between,
    Compare,
    Condition,
    CountIn,
    CountSince,
    During,
    For,
    InLast,
    Not,
    OnDays,
    Op,
    Or,
    SignalValue,
    TimeSince,
    TimeUntilUse,
    ValueOf,
    compare,
    values,
)
from carerules.domain.quantity import Known, Quantity, Reading, Truth
from carerules.domain.signal import Catalogue
from carerules.engine import window
from carerules.engine.hold import FRESH_PAST, FRESH_RUN, Memory, Past, Run, hold_for, was_in_last


@dataclass(slots=True)
class Facts:
    """What a condition about one pack can see: its own readings, its station's, the site's."""

    readings: Mapping[str, Reading]
    station: Mapping[str, Reading]
    site: Mapping[str, Reading]
    happened: Mapping[str, tuple[Moment, ...]]
    uses: tuple[Moment, ...]
    local: LocalTime


Answer: TypeAlias = tuple[Truth, Moment]
Run_: TypeAlias = Callable[[Facts, Moment, list[Memory]], Answer]
Line: TypeAlias = tuple[float, float, float, Moment]
"""A value now, its spread, its slope (a millisecond), and until when this line holds."""
Look: TypeAlias = Callable[[Facts, Moment], Line | None]

PESSIMISM = 2.0
"""An interlock reasons on the value plus and minus this many spreads (SAFETY: two sigma)."""


@dataclass(frozen=True, slots=True)
class Ready:
    """A condition ready to run, its parts likewise, and what it remembers when fresh."""

    condition: Condition
    run: Run_
    parts: tuple[Ready, ...]
    fresh: tuple[Memory, ...]
    reads: frozenset[str]


def make_ready(condition: Condition, signals: Catalogue, *, pessimistic: bool = False) -> Ready:
    """Compile a condition. Pessimistic: on value ± 2 spreads, and no gap is bridged."""
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
        run: Run_
        match condition:
            case Compare(left, op, right):
                run = _comparison(self._look(left), op, self._look(right), self.margin)
            case Between(value, low, high):
                look = self._look(value)
                run = _all([
                    _comparison(look, ">=", self._look(low), self.margin),
                    _comparison(look, "<=", self._look(high), self.margin),
                ])  # fmt: skip
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
                bridge = 0 if self.margin else self._bridge(parts[0].reads)
                run = _for(place, parts[0].run, time, bridge)
            case InLast(part, time):
                place = self._place(FRESH_PAST)
                parts = (self.ready(part),)
                run = _in_last(place, parts[0].run, time)
            case During(stretch):
                run = _clock(lambda now, local: window.inside(stretch, now, local))
            case OnDays(days):
                run = _clock(lambda now, local: window.on_days(days, now, local))
            case _:
                assert_never(condition)
        own = {value.name for value in values(condition) if isinstance(value, SignalValue)}
        reads = frozenset(own).union(*(part.reads for part in parts))
        return Ready(condition, run, parts, tuple(self.fresh[first:]), reads)

    def _place(self, fresh: Memory) -> int:
        self.fresh.append(fresh)
        return len(self.fresh) - 1

    def _bridge(self, reads: frozenset[str]) -> Duration:
        """The least of the bridges of the signals inside: a gap must be short for each of them."""
        return min((self.signals[name].bridge for name in reads), default=0)

    def _look(self, value: ValueOf) -> Look:
        match value:
            case Quantity(number, _):
                line = (number, 0.0, 0.0, NEVER)
                return lambda _facts, _now: line
            case SignalValue(name, _):
                return _signal(name, self.signals[name].max_age)
            case TimeSince(event):
                return lambda facts, now: _time_since(facts.happened.get(event, ()), now)
            case TimeUntilUse():
                return _time_until_use
            case CountSince(event, since):
                return lambda facts, _now: _count_since(facts.happened, event, since)
            case CountIn(event, time):
                return lambda facts, now: _count_in(facts.happened.get(event, ()), now, time)
            case _:
                assert_never(value)


# ---- values ----------------------------------------------------------------------------------


def _signal(name: str, max_age: Duration | None) -> Look:
    scope = name.partition(".")[0]

    def look(facts: Facts, now: Moment) -> Line | None:
        source = (
            facts.readings
            if scope == "pack"
            else facts.station
            if scope == "station"
            else facts.site
        )
        reading = source.get(name)
        if type(reading) is not Known:
            return None
        until = NEVER
        if max_age is not None:
            until = reading.at + max_age + 1  # an age of exactly max_age is still fresh
            if now >= until:
                return None
        if reading.slope:
            value = reading.value + reading.slope * (now - reading.at)
            return value, reading.spread, reading.slope, until
        return reading.value, reading.spread, 0.0, until

    return look


_LONGER_THAN_ANY: Line = (float(NEVER), 0.0, 0.0, NEVER)


def _time_since(times: tuple[Moment, ...], now: Moment) -> Line:
    return (float(now - times[-1]), 0.0, 1.0, NEVER) if times else _LONGER_THAN_ANY


def _time_until_use(facts: Facts, now: Moment) -> Line:
    place = bisect_left(facts.uses, now)
    if place == len(facts.uses):
        return _LONGER_THAN_ANY
    start = facts.uses[place]
    return float(start - now), 0.0, -1.0, start + 1


def _count_since(happened: Mapping[str, tuple[Moment, ...]], event: str, since: str) -> Line:
    times = happened.get(event, ())
    marks = happened.get(since, ())
    count = len(times) - bisect_right(times, marks[-1]) if marks else len(times)
    return float(count), 0.0, 0.0, NEVER


def _count_in(times: tuple[Moment, ...], now: Moment, time: Duration) -> Line:
    first = bisect_left(times, now - time)
    until = times[first] + time + 1 if first < len(times) else NEVER
    return float(len(times) - first), 0.0, 0.0, until


# ---- conditions ------------------------------------------------------------------------------


def _comparison(left: Look, op: Op, right: Look, margin: float) -> Run_:
    def run(facts: Facts, now: Moment, _memory: list[Memory]) -> Answer:
        a, b = left(facts, now), right(facts, now)
        if a is None or b is None:
            # The one that is known may go stale, but unknown stays unknown until something comes.
            return Truth.UNKNOWN, NEVER
        difference = a[0] - b[0]
        doubt = margin * (a[1] + b[1]) if margin else 0.0
        truth = _judge(difference, doubt, op)
        until = min(a[3], b[3])
        slope = a[2] - b[2]
        if slope:
            until = min(until, _next_change(difference, slope, doubt, op, truth, now))
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
    difference: float, slope: float, doubt: float, op: Op, truth: Truth, now: Moment
) -> Moment:
    """The first whole millisecond after `now` at which the moving difference is judged anew."""
    soonest = NEVER
    for edge in {doubt, -doubt}:
        wait = (edge - difference) / slope
        if not 0 <= wait < NEVER - now:
            continue
        for step in (math.ceil(wait), math.floor(wait) + 1):
            if step >= 1 and _judge(difference + slope * step, doubt, op) is not truth:
                soonest = min(soonest, now + step)
    return soonest


def _all(runs: list[Run_]) -> Run_:
    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        truth, until = Truth.YES, NEVER
        for part in runs:  # every part, always: each keeps its own memory
            one, its_until = part(facts, now, memory)
            truth = min(truth, one)
            until = min(until, its_until)
        return truth, until

    return run


def _any(runs: list[Run_]) -> Run_:
    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        truth, until = Truth.NO, NEVER
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


def _for(place: int, part: Run_, time: Duration, bridge: Duration) -> Run_:
    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        inner, until = part(facts, now, memory)
        held = memory[place]
        assert isinstance(held, Run)
        memory[place], truth, due = hold_for(held, inner, now, time, bridge)
        return truth, min(until, due)

    return run


def _in_last(place: int, part: Run_, time: Duration) -> Run_:
    def run(facts: Facts, now: Moment, memory: list[Memory]) -> Answer:
        inner, until = part(facts, now, memory)
        held = memory[place]
        assert isinstance(held, Past)
        memory[place], truth, due = was_in_last(held, inner, now, time)
        return truth, min(until, due)

    return run


def _clock(ask: Callable[[Moment, LocalTime], tuple[bool, Moment]]) -> Run_:
    def run(facts: Facts, now: Moment, _memory: list[Memory]) -> Answer:
        yes, until = ask(now, facts.local)
        return (Truth.YES if yes else Truth.NO), until

    return run

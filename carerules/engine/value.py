"""Values that conditions compare, made ready to look up: signals, times, counts, windows.

Knows facts as readings. Does not know what a value is compared with.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TypeAlias, assert_never

from carerules.domain.condition import (
    Condition,
    CountIn,
    CountSince,
    NumberOfPacks,
    OverWindow,
    SignalValue,
    TimeSince,
    TimeUntilUse,
    ValueOf,
    WindowKind,
)
from carerules.domain.moment import NEVER, Duration, LocalTime, Moment
from carerules.domain.quantity import Known, Quantity, Reading
from carerules.domain.signal import Catalogue
from carerules.engine.hold import Memory
from carerules.engine.trail import FRESH_TRAIL, Trail, answer, follow


@dataclass(slots=True)
class Facts:
    """What a condition about one pack can see: its own readings, its station's, the site's.

    `counts` says, by the key of a condition, for how many packs it is true.
    """

    readings: Mapping[str, Reading]
    station: Mapping[str, Reading]
    site: Mapping[str, Reading]
    happened: Mapping[str, tuple[Moment, ...]]
    uses: tuple[Moment, ...]
    local: LocalTime
    counts: Mapping[str, int] = field(default_factory=dict)


Line: TypeAlias = tuple[float | None, float, float, Moment, float]
"""A value now (None: unknown), its spread, its slope (a millisecond), until when this holds (for a
signal of the pack's own, if no sample comes before it is stale), and how fast its spread grows by
itself at most (a millisecond)."""
Look: TypeAlias = Callable[[Facts, Moment, list[Memory]], Line]

Place: TypeAlias = Callable[[Memory], int]


def make_look(value: ValueOf, signals: Catalogue, place: Place) -> Look:
    """A closure that looks the value up; `place` hands out places in the memory."""
    match value:
        case Quantity(number, _):
            line = (number, 0.0, 0.0, NEVER, 0.0)
            return lambda _facts, _now, _memory: line
        case SignalValue(name, _):
            return _signal(name, signals[name].max_age)
        case TimeSince(event):
            return lambda facts, now, _memory: _time_since(facts.happened.get(event, ()), now)
        case TimeUntilUse():
            return _time_until_use
        case CountSince(event, since):
            return lambda facts, _now, _memory: _count_since(facts.happened, event, since)
        case CountIn(event, time):
            return lambda facts, now, _memory: _count_in(facts.happened.get(event, ()), now, time)
        case OverWindow(kind, SignalValue(name), time):
            return _over(place(FRESH_TRAIL), _signal(name, signals[name].max_age), kind, time)
        case NumberOfPacks(where):
            key = count_key(where)
            return lambda facts, _now, _memory: (float(facts.counts.get(key, 0)), 0, 0, NEVER, 0.0)
        case _:
            assert_never(value)


def _signal(name: str, max_age: Duration | None) -> Look:
    scope = name.partition(".")[0]
    own = scope == "pack"

    def look(facts: Facts, now: Moment, _memory: list[Memory]) -> Line:
        source = (
            facts.readings
            if scope == "pack"
            else facts.station
            if scope == "station"
            else facts.site
        )
        reading = source.get(name)
        if type(reading) is not Known:
            return _UNKNOWN
        until = NEVER
        if max_age is not None:
            until = reading.at + max_age + 1  # an age of exactly max_age is still fresh
            if now >= until:
                return _UNKNOWN
            if own:  # each sample puts this off: it is kept apart, in Watch.stale_at
                until = NEVER
        value, spread, grows, widens = reading.value, reading.spread, 0.0, reading.widens
        if reading.slope:
            value += reading.slope * (now - reading.at)
        if widens is not None:
            spread = widens.after(spread, reading.at, now)
            grows = widens.rate if spread < widens.most else 0.0
        return value, spread, reading.slope, until, grows

    return look


_UNKNOWN: Line = (None, 0.0, 0.0, NEVER, 0.0)
_LONGER_THAN_ANY: Line = (float(NEVER), 0.0, 0.0, NEVER, 0.0)


def _time_since(times: tuple[Moment, ...], now: Moment) -> Line:
    return (float(now - times[-1]), 0.0, 1.0, NEVER, 0.0) if times else _LONGER_THAN_ANY


def _time_until_use(facts: Facts, now: Moment, _memory: list[Memory]) -> Line:
    place = bisect_left(facts.uses, now)
    if place == len(facts.uses):
        return _LONGER_THAN_ANY
    start = facts.uses[place]
    return float(start - now), 0.0, -1.0, start + 1, 0.0


def _count_since(happened: Mapping[str, tuple[Moment, ...]], event: str, since: str) -> Line:
    times = happened.get(event, ())
    marks = happened.get(since, ())
    count = len(times) - bisect_right(times, marks[-1]) if marks else len(times)
    return float(count), 0.0, 0.0, NEVER, 0.0


def _count_in(times: tuple[Moment, ...], now: Moment, time: Duration) -> Line:
    first = bisect_left(times, now - time)
    until = times[first] + time + 1 if first < len(times) else NEVER
    return float(len(times) - first), 0.0, 0.0, until, 0.0


def _over(place: int, look: Look, kind: WindowKind, time: Duration) -> Look:
    def over(facts: Facts, now: Moment, memory: list[Memory]) -> Line:
        value, _, drift, stale, _ = look(facts, now, memory)
        trail = memory[place]
        assert isinstance(trail, Trail)
        memory[place] = trail = follow(trail, value, drift, now, time, kind)
        value, until = answer(trail, kind, now, time)
        # Also what goes stale must be looked at then: from there on it is unknown in the window.
        return value, 0.0, 0.0, min(until, stale), 0.0

    return over


def count_key(where: Condition) -> str:
    """What the number of packs that a condition holds for is kept under: its meaning, to the last
    digit."""
    return repr(where)


def signals_of(value: ValueOf) -> tuple[str, ...]:
    """The signals of the pack, its station or the site that a value is made of."""
    match value:
        case SignalValue(name) | OverWindow(_, SignalValue(name)):
            return (name,)
        case _:
            return ()

"""An answer stands until the moment that it names, unless something new is heard: never later.

Everything that looks back is exact only because of this. Random conditions of every kind are looked
at when a fact changes and when the last answer said so, and nowhere else; a second run is looked at
in between as well, also one millisecond before each such moment. Both must always answer the same.
What the logic says of `for` and `in last` is not asked here: the tables of the monitors ask it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from carerules.domain.action import DayWindow
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
    parts,
    values,
    walk,
)
from carerules.domain.moment import DAY, HOUR, MINUTE, LocalTime, Moment
from carerules.domain.quantity import COUNT, DURATION, VOLTAGE, Known, Quantity, Reading, Unknown
from carerules.domain.signal import Signal, catalogue
from carerules.engine import Facts
from carerules.engine.expression import Ready, make_ready
from carerules.engine.value import count_key

KEPT, AGING = SignalValue("site.kept", VOLTAGE), SignalValue("site.aging", VOLTAGE)
OPS = ("<", "<=", ">", ">=", "=", "!=")
LOOKS_MAX = 250


def signals_in(unit: int) -> Any:
    """A kept signal and one that is stale after 50 units; gaps below 20 are bridged."""
    return catalogue(
        Signal(one.name, VOLTAGE, age, -100, 100, "of this test", bridge=20 * unit)
        for one, age in ((KEPT, None), (AGING, 50 * unit))
    )


volts = st.sampled_from([-1.0, 0.0, 0.5, 1.0, 1.25, 2.0, 3.0]).map(lambda v: Quantity(v, VOLTAGE))
drifts = st.sampled_from([0.0, 0.0, 0.0, 0.01, -0.013, 1 / 3, -7.7e-4])


def durations(unit: int, most: int = 300) -> st.SearchStrategy[int]:
    return st.integers(1, most).map(lambda n: n * unit)


def value_conditions(unit: int) -> st.SearchStrategy[Condition]:
    """Conditions that are no clock's."""
    signal = st.sampled_from([KEPT, AGING])
    op = st.sampled_from(OPS)
    spans = durations(unit).map(lambda n: Quantity(float(n), DURATION))
    few = st.integers(0, 4).map(lambda n: Quantity(float(n), COUNT))
    of_signal = st.one_of(
        signal, st.builds(OverWindow, st.sampled_from(["max", "min", "mean"]), signal,
                          durations(unit)),
    )  # fmt: skip
    slope = st.builds(OverWindow, st.just("slope"), signal, durations(unit, 2_000))
    trend = st.sampled_from([0.0, 1e-3, -1e-3]).map(
        lambda v: Quantity(v * DAY / unit, VOLTAGE.rate())
    )
    counts = st.one_of(
        st.just(CountSince("charge", "use")), st.builds(CountIn, st.just("charge"),
                                                        durations(unit)),
        st.just(NumberOfPacks(Compare(KEPT, ">", Quantity(1.0, VOLTAGE)))),
    )  # fmt: skip
    return st.one_of(
        st.builds(Compare, of_signal, op, volts),
        st.builds(Compare, of_signal, op, of_signal),
        st.builds(Compare, slope, op, trend),
        st.builds(Compare, st.sampled_from([TimeSince("charge"), TimeUntilUse()]), op, spans),
        st.builds(Compare, counts, op, few),
        st.builds(Between, of_signal, volts, volts),
        st.builds(Crosses, of_signal, volts, st.booleans()),
        st.builds(lambda part, of, least: InSamples(part, min(least, of), of),
                  st.builds(Compare, signal, op, volts), st.integers(1, 5), st.integers(1, 5)),
    )  # fmt: skip


clocks: st.SearchStrategy[Condition] = st.one_of(
    st.builds(
        lambda since, until: During(DayWindow(since, until)),
        st.integers(0, 1439),
        st.integers(0, 1440),
    ),
    st.sets(st.integers(0, 6), min_size=1).map(lambda days: OnDays(tuple(sorted(days)))),
)


def whole(leaves: st.SearchStrategy[Condition], unit: int) -> st.SearchStrategy[Condition]:
    return st.recursive(
        leaves,
        lambda inner: st.one_of(
            st.builds(For, inner, durations(unit)),
            st.builds(InLast, inner, durations(unit)),
            st.builds(Not, inner),
            st.builds(lambda a, b: And((a, b)), inner, inner),
            st.builds(lambda a, b: Or((a, b)), inner, inner),
        ),
        max_leaves=4,
    )


# ---- what is heard ---------------------------------------------------------------------------


@dataclass
class Told:
    """All that is known, and how it changes."""

    local: LocalTime
    readings: dict[str, Reading]
    happened: dict[str, tuple[Moment, ...]]
    uses: tuple[Moment, ...] = ()
    number: int = 0

    def facts(self, condition: Condition) -> Facts:
        counts = {
            count_key(value.where): self.number
            for part in walk(condition)
            for value in values(part)
            if isinstance(value, NumberOfPacks)
        }
        return Facts(
            {}, {}, dict(self.readings), dict(self.happened), self.uses, self.local, counts
        )


@st.composite
def histories(draw: Any, unit: int, begin: Moment) -> list[tuple[Moment, str, Any]]:
    """Facts in order of time, some at the same instant."""
    at, found = begin, []
    for _ in range(draw(st.integers(1, 14))):
        at += draw(st.sampled_from([0, 1, 3, 10, 29, 49, 50, 51, 70, 120, 400])) * unit
        at += draw(st.sampled_from([0, 0, 0, 1]))
        what = draw(st.sampled_from(["kept", "aging", "aging", "lost", "charge", "use", "number"]))
        match what:
            case "kept" | "aging":
                value, drift = draw(volts).value, draw(drifts) / unit
                detail: Any = (value, draw(st.sampled_from([0.0, 0.2])), drift)
            case "lost":
                detail = draw(st.sampled_from([KEPT.name, AGING.name]))
            case "use":
                detail = at + draw(st.integers(0, 300)) * unit
            case _:
                detail = draw(st.integers(0, 4))
        found.append((at, what, detail))
    return found


def take(told: Told, fact: tuple[Moment, str, Any]) -> None:
    at, what, detail = fact
    match what:
        case "kept" | "aging":
            value, spread, drift = detail
            told.readings[f"site.{what}"] = Known(value, spread, at, "test", drift)
        case "lost":
            told.readings[detail] = Unknown("implausible")
        case "charge":
            told.happened["charge"] = (*told.happened.get("charge", ()), at)
        case "use":
            told.uses = tuple(sorted({*told.uses, detail}))
            told.happened["use"] = (*told.happened.get("use", ()), at)
        case _:
            told.number = detail


# ---- both runs -------------------------------------------------------------------------------


def compare_runs(
    condition: Condition, ready: Ready, history: list[tuple[Moment, str, Any]], end: Moment,
    local: LocalTime, seed: int,
) -> None:  # fmt: skip
    """Look when something changes or is due, and, with another memory, in between as well."""
    chance = Random(seed)
    told = Told(local, {}, {})
    sparing, busy = list(ready.fresh), list(ready.fresh)
    left = list(history)
    now, looks = history[0][0], 0
    while now < end and looks < LOOKS_MAX:
        while left and left[0][0] == now:
            take(told, left.pop(0))
            # Each fact is looked at, also two of one instant: they come one after the other.
            facts = told.facts(condition)
            truth, until = ready.run(facts, now, sparing)
            assert ready.run(facts, now, busy)[0] is truth
        facts = told.facts(condition)
        truth, until = ready.run(facts, now, sparing)
        assert until > now
        assert ready.run(facts, now, busy)[0] is truth, "looking before has changed the answer"
        following = min(until, left[0][0] if left else end, end)
        between = {now + 1, following - 1, chance.randint(now, following)}
        for moment in sorted(one for one in between if now < one < following):
            found = ready.run(facts, moment, busy)[0]
            assert found is truth, f"{found.name} {following - moment} ms before it was due"
        now, looks = following, looks + 1


UTC = LocalTime(ZoneInfo("UTC"))
BEGIN: Moment = 1_764_892_800_000  # Friday 5 December 2025, midnight UTC
many = settings(max_examples=250, deadline=None, suppress_health_check=list(HealthCheck))


@pytest.mark.parametrize("pessimistic", [False, True], ids=["rule", "interlock"])
@pytest.mark.parametrize("unit", [1, MINUTE], ids=["ms", "min"])
def test_until_is_never_late(unit: int, pessimistic: bool) -> None:
    @many
    @given(whole(value_conditions(unit), unit), histories(unit, BEGIN), st.integers(0, 2**32))
    def holds(condition: Condition, history: list[tuple[Moment, str, Any]], seed: int) -> None:
        ready = make_ready(condition, signals_in(unit), pessimistic=pessimistic)
        compare_runs(condition, ready, history, history[-1][0] + 900 * unit, UTC, seed)

    holds()


# Zones and a day near a change of their clocks, from the tz database (in Python's tzdata package).
CHANGES = [
    ("Europe/Berlin", "spring, 02:00 to 03:00", 1_774_659_600_000),  # 29 March 2026
    ("Europe/Berlin", "autumn, 03:00 to 02:00", 1_792_803_600_000),  # 25 October 2026
    ("America/New_York", "autumn, 02:00 to 01:00", 1_793_505_600_000),  # 1 November 2026
    ("Australia/Lord_Howe", "half an hour back", 1_775_311_200_000),  # 5 April 2026
    ("Australia/Lord_Howe", "half an hour on", 1_791_036_000_000),  # 4 October 2026
    ("Africa/Cairo", "midnight to 01:00", 1_776_981_600_000),  # 24 April 2026
    ("America/Santiago", "midnight to 01:00", 1_788_667_200_000),  # 6 September 2026
    ("Asia/Beirut", "midnight to 23:00", 1_792_879_200_000),  # 25 October 2026
    ("America/St_Johns", "00:01 to 23:01", 1_289_097_000_000),  # 7 November 2010
    ("Pacific/Apia", "a day left out", 1_325_152_800_000),  # 30 December 2011
    ("Antarctica/Troll", "two hours on", 1_774_742_400_000),  # 29 March 2026
    ("Asia/Kathmandu", "no change, 05:45", 1_774_659_600_000),
]


@pytest.mark.parametrize(("zone", "what", "near"), CHANGES, ids=[f"{z} {w}" for z, w, _ in CHANGES])
def test_until_is_never_late_where_clocks_change(zone: str, what: str, near: Moment) -> None:
    local = LocalTime(ZoneInfo(zone))
    # The instant of the change itself, found by the offsets, so that looks can surround it.
    hours = [near - 36 * HOUR + n * MINUTE for n in range(72 * 60)]
    turns = [
        b for a, b in pairwise(hours)
        if local.read(a).utcoffset() != local.read(b).utcoffset()
    ]  # fmt: skip
    assert bool(turns) == (what != "no change, 05:45")

    @settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
    @given(whole(st.one_of(clocks, clocks, value_conditions(MINUTE)), MINUTE),
           histories(MINUTE, near - 30 * HOUR), st.integers(0, 2**32))  # fmt: skip
    def holds(condition: Condition, history: list[tuple[Moment, str, Any]], seed: int) -> None:
        # A fact that changes nothing at the change and beside it: there the answer must stand too.
        nudges = [(turn + d, "number", 0) for turn in turns for d in (-1, 0, 1, HOUR)]
        history = sorted((*history, *nudges), key=lambda fact: fact[0])
        ready = make_ready(condition, signals_in(MINUTE))
        compare_runs(condition, ready, history, near + 30 * HOUR, local, seed)

    holds()


@settings(max_examples=600, deadline=None)
@given(
    st.sampled_from(OPS),
    st.floats(-100, 100).map(lambda v: round(v, 2)),
    st.floats(-1, 1).filter(lambda v: abs(v) > 1e-9),
    st.integers(0, 10**8),
    st.integers(0, 10**6),
    st.sampled_from([0.0, 0.25]),
)
def test_a_limit_met_upon_a_whole_millisecond_is_not_missed(
    op: Any, limit: float, slope: float, wait: int, before: int, spread: float
) -> None:
    """There rounding decides whether the value is at the limit, beyond it, or not quite."""
    ready = make_ready(
        Compare(KEPT, op, Quantity(limit, VOLTAGE)), signals_in(1), pessimistic=bool(spread)
    )
    for edge in (limit, limit + 2 * spread, limit - 2 * spread):
        told = Told(UTC, {KEPT.name: Known(edge - slope * wait, spread, BEGIN, "t", slope)}, {})
        facts = told.facts(ready.condition)
        meeting = BEGIN + wait
        answers, now = [], max(BEGIN, meeting - before)
        while now <= meeting + 5:
            truth, until = ready.run(facts, now, [])
            assert until > now
            answers.append((now, truth))
            now = until
        assert len(answers) < 60
        for moment in range(max(answers[0][0], meeting - 5), meeting + 6):
            stood = [truth for at, truth in answers if at <= moment][-1]
            assert ready.run(facts, moment, [])[0] is stood


def without_samples(condition: Condition) -> bool:
    return not any(isinstance(part, InSamples) for part in walk(condition))


@settings(max_examples=300, deadline=None)
@given(
    whole(value_conditions(1), 1).filter(without_samples),
    histories(1, BEGIN),
    st.integers(0, 2**32),
)
def test_a_kept_value_said_again_changes_nothing(
    condition: Condition, history: list[tuple[Moment, str, Any]], seed: int
) -> None:
    """A sample split in two, or heard twice: only what counts samples may differ."""
    chance = Random(seed)
    ready = make_ready(condition, signals_in(1))
    still = [
        (at, what, (detail[0], detail[1], 0.0) if what in ("kept", "aging") else detail)
        for at, what, detail in history
    ]
    one, other = Told(UTC, {}, {}), Told(UTC, {}, {})
    memory, memory_too = list(ready.fresh), list(ready.fresh)
    end = history[-1][0] + 500
    left, now = list(still), still[0][0]
    while now < end:
        while left and left[0][0] == now:
            fact = left.pop(0)
            take(one, fact)
            take(other, fact)
            ready.run(one.facts(condition), now, memory)
            ready.run(other.facts(condition), now, memory_too)
        truth, until = ready.run(one.facts(condition), now, memory)
        kept = other.readings.get(KEPT.name)
        if isinstance(kept, Known) and chance.random() < 0.5:
            other.readings[KEPT.name] = replace(kept, at=now)
        assert ready.run(other.facts(condition), now, memory_too)[0] is truth
        now = min(until, now + 40, left[0][0] if left else end)


def test_every_kind_of_condition_is_asked() -> None:
    """So that a new kind cannot be left out of this file."""
    from typing import get_args

    from carerules.domain.condition import Condition as Kinds
    from carerules.domain.condition import ValueOf

    seen: set[type] = set()

    @settings(max_examples=600, deadline=None, database=None, derandomize=True)
    @given(whole(st.one_of(value_conditions(1), clocks), 1))
    def see(condition: Condition) -> None:
        for part in walk(condition):
            seen.add(type(part))
            seen.update(type(value) for value in values(part))
            assert all(isinstance(one, get_args(Kinds)) for one in parts(part))

    see()
    assert seen == {*get_args(Kinds), *get_args(ValueOf)}

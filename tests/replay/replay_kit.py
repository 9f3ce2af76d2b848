"""Random tapes and rules, and the plainest way to take the engine along one: look, look again when
due, and note what fires. It shares nothing with carerules/replay/online."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

import numpy as np
from hypothesis import strategies as st

from carerules.battery import shipped_chemistries
from carerules.domain.action import DayWindow, Notify
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
    OnDays,
    Or,
    OverWindow,
    SignalValue,
    TimeSince,
    TimeUntilUse,
    ValueOf,
    WindowKind,
)
from carerules.domain.diagnostic import Span
from carerules.domain.moment import DAY, HOUR, MINUTE, NEVER, LocalTime, Moment
from carerules.domain.pack import Pack
from carerules.domain.plan import Plan, Rule
from carerules.domain.quantity import COUNT, DURATION, Known, Quantity, Reading, Unknown
from carerules.domain.selector import EVERY_PACK
from carerules.domain.signal import catalogue
from carerules.engine import Facts, bind, evaluate, fresh_states, ready_to_fire
from carerules.replay import Column, Firing, Tape, Told

SIGNALS = catalogue()
LOCAL = LocalTime(ZoneInfo("Europe/Lisbon"))
BEGIN: Moment = 1_774_735_200_000  # Sat 28 March 2026, 22:00 UTC: the clocks change that night
NAMES = ("heron", "egret", "curlew")
LIMITS = shipped_chemistries()["lipo"].limits
PACKS = {name: Pack(name, "lipo", 6, 16.0, LIMITS) for name in NAMES}

NUMBERS = (10.0, 20.0, 30.0)
MEASURED = ("pack.temperature", "pack.current", "station.load.power", "site.temperature")
KEPT = ("pack.soc", "pack.rested")
TIMES = (1, MINUTE, 5 * MINUTE, 10 * MINUTE, 25 * MINUTE, HOUR, 3 * HOUR)


@dataclass
class Row:
    """What one pack heard at once: signal -> reading, or its happenings and uses."""

    moment: Moment
    order: int
    readings: dict[str, Reading] = field(default_factory=dict)
    told: Told | None = None


def rule(name: str, when: Condition, rearm: Condition | None = None) -> Rule:
    span = Span("a.care", 1, 1, 1, 2)
    return Rule(name, EVERY_PACK, when, (Notify(("it",)),), span, rearm_when=rearm)


def tape_of(rows: dict[str, list[Row]], ends: Moment) -> Tape:
    """The columns of what packs heard."""
    packs = tuple(rows)
    names = sorted({name for all_ in rows.values() for row in all_ for name in row.readings})
    columns = {}
    for name in names:
        first, found = [0], list[tuple[Row, Reading]]()
        for pack in packs:
            found += [(row, row.readings[name]) for row in rows[pack] if name in row.readings]
            first.append(len(found))
        known = [one if isinstance(one, Known) else Known(np.nan, 0, row.moment, "")
                 for row, one in found]  # fmt: skip
        columns[name] = Column(
            np.array(first), np.array([row.moment for row, _ in found]),
            np.array([one.value for one in known], float),
            np.array([row.order for row, _ in found], int),
            np.array([one.at for one in known]), np.array([one.slope for one in known], float),
        )  # fmt: skip
    told = {pack: tuple(row.told for row in rows[pack] if row.told) for pack in packs}
    return Tape(packs, BEGIN, ends, columns, ((BEGIN, LOCAL),), told)


def engine_fires(
    plan: Plan, rows: dict[str, list[Row]], ends: Moment, extra: Iterable[Moment] = ()
) -> list[Firing]:
    """Where the engine lets rules fire; `extra` looks change nothing."""
    fired: list[Firing] = []
    for pack, heard in rows.items():
        bound = bind(plan, PACKS[pack], SIGNALS)
        states = fresh_states(bound)
        readings: dict[str, Reading] = {}
        told = Told(BEGIN, 0, {}, ())
        due = BEGIN
        ticks = sorted(extra)
        scenes = sorted((row.moment, row.order, at) for at, row in enumerate(heard))
        while True:
            coming = scenes[0][0] if scenes else NEVER
            now = min(coming, due, ticks[0] if ticks else NEVER)
            if now > ends:
                break
            if ticks and ticks[0] == now:
                ticks.pop(0)
            if coming == now:
                row = heard[scenes.pop(0)[2]]
                readings |= row.readings
                told = row.told or told
            facts = Facts(readings, readings, readings, told.happened, told.uses, LOCAL)
            states, due = evaluate(bound, states, facts, now)
            due = min(due, bound.watch.stale_at(readings, now))
            for at, state in enumerate(states):
                if ready_to_fire(state):
                    fired.append(Firing(pack, bound.rules[at].rule.name, now))
            states = tuple(
                one._replace(armed=one.armed and not ready_to_fire(one)) for one in states
            )
    return sorted(fired)


# ---- random ----------------------------------------------------------------------------------


@st.composite
def heard(draw: st.DrawFn) -> list[Row]:
    """Up to thirty rows of one pack, some of one instant, with gaps that matter to the ages."""
    moment, order, rows = BEGIN, 0, list[Row]()
    happened: dict[str, tuple[Moment, ...]] = {}
    for _ in range(draw(st.integers(0, 30))):
        step = draw(st.sampled_from((0, 0, 1, 59_999, MINUTE, 5 * MINUTE, 10 * MINUTE,
                                     10 * MINUTE + 1, 11 * MINUTE, 20 * MINUTE, 20 * MINUTE + 1,
                                     HOUR, 5 * HOUR)))  # fmt: skip
        order = order + 1 if step == 0 and rows else 0
        moment += step
        row = Row(moment, order)
        kind = draw(st.integers(0, 9))
        if kind == 0:
            what = draw(st.sampled_from(("charge", "full")))
            happened = {**happened, what: (*happened.get(what, ()), moment)}
        if kind <= 1:
            uses = draw(st.lists(st.sampled_from((0, 1, HOUR, 2 * HOUR, DAY)), max_size=3))
            row.told = Told(moment, order, happened, tuple(sorted(moment + one for one in uses)))
        else:
            for name in draw(st.lists(st.sampled_from(MEASURED + KEPT), min_size=1, max_size=3)):
                row.readings[name] = draw(reading(name, moment))
        rows.append(row)
    return rows


def reading(name: str, moment: Moment) -> st.SearchStrategy[Reading]:
    ages = st.sampled_from((0, 0, 0, 0, MINUTE, 9 * MINUTE, 11 * MINUTE))
    values = st.sampled_from((5.0, 9.99, 10.0, 10.01, 15.0, 20.0, 25.0, 30.0, 35.0))
    slopes = st.just(0.0)
    if name == "pack.soc":
        slopes = st.sampled_from((0.0, 0.0, -1e-6, -1.3e-7, -0.003))
    if name == "pack.rested":
        return st.builds(lambda age: Known(0.0, 0.0, moment - age, "", 1.0), ages)
    known = st.builds(
        lambda value, age, slope: Known(value, 0.0, moment - age, "", slope), values, ages, slopes
    )
    return st.one_of(known, known, known, known, st.just(Unknown("implausible")))


@st.composite
def value(draw: st.DrawFn) -> tuple[ValueOf, Quantity]:
    """A value, and a limit of its kind."""
    kind = draw(st.integers(0, 9))
    if kind <= 5:
        name = draw(st.sampled_from((*MEASURED, "pack.soc", "pack.cell.min")))
        dimension = SIGNALS[name].dimension
        return SignalValue(name, dimension), Quantity(draw(st.sampled_from(NUMBERS)), dimension)
    time = Quantity(float(draw(st.sampled_from(TIMES))), DURATION)
    number = Quantity(float(draw(st.integers(0, 3))), COUNT)
    event = draw(st.sampled_from(("charge", "full")))
    match kind:
        case 6:
            return SignalValue("pack.rested", DURATION), time
        case 7:
            return TimeUntilUse(), time
        case 8:
            return TimeSince(event), time
        case _:
            if draw(st.booleans()):
                return CountSince(event, "full"), number
            return CountIn(event, draw(st.sampled_from(TIMES))), number


@st.composite
def leaf(draw: st.DrawFn) -> Condition:
    """A condition without parts."""
    asked, limit = draw(value())
    match draw(st.integers(0, 9)):
        case 0:
            return Between(asked, limit, Quantity(limit.value * 2, limit.dimension))
        case 1:
            return Crosses(asked, limit, draw(st.booleans()))
        case 2:
            since = draw(st.integers(0, 24 * 60 - 1))
            return During(DayWindow(since, (since + draw(st.sampled_from((1, 90, 600)))) % 1440))
        case 3:
            return OnDays(tuple(sorted(draw(st.sets(st.integers(0, 6), min_size=1)))))
        case 4:
            return Compare(limit, draw(st.sampled_from(("<", "<=", ">", ">=", "=", "!="))), asked)
        case _:
            return Compare(asked, draw(st.sampled_from(("<", "<=", ">", ">=", "=", "!="))), limit)


def branch(part: st.SearchStrategy[Condition]) -> st.SearchStrategy[Condition]:
    several = st.lists(part, min_size=2, max_size=3).map(tuple)
    time = st.sampled_from(TIMES)
    return st.one_of(
        several.map(And), several.map(Or), part.map(Not),
        st.builds(For, part, time), st.builds(For, part, time), st.builds(InLast, part, time),
    )  # fmt: skip


conditions = st.recursive(leaf(), branch, max_leaves=5)


@st.composite
def cases(draw: st.DrawFn) -> tuple[Plan, dict[str, list[Row]], Moment]:
    """Some rules, what up to three packs heard, and the end."""
    rules = []
    for at in range(draw(st.integers(1, 3))):
        rearm = draw(st.one_of(st.none(), st.none(), conditions))
        rules.append(rule(f"r{at}", draw(conditions), rearm))
    rows = {name: draw(heard()) for name in NAMES[: draw(st.integers(1, 3))]}
    last = max((row.moment for all_ in rows.values() for row in all_), default=BEGIN)
    ends = last + draw(st.sampled_from((0, 1, HOUR, 2 * DAY)))
    return Plan(tuple(rules)), rows, ends


@st.composite
def outside(draw: st.DrawFn) -> Condition:
    """What the algebra does not cover: windows, samples counted, two values that both change."""
    names = ("pack.temperature", "site.temperature", "pack.soc")
    name = draw(st.sampled_from(names))
    dimension = SIGNALS[name].dimension
    signal = SignalValue(name, dimension)
    limit = Quantity(draw(st.sampled_from(NUMBERS)), dimension)
    match draw(st.integers(0, 2)):
        case 0:
            kind: WindowKind = draw(st.sampled_from(("max", "min", "mean")))
            return Compare(OverWindow(kind, signal, draw(st.sampled_from(TIMES[2:]))), ">", limit)
        case 1:
            of = draw(st.integers(1, 4))
            return InSamples(Compare(signal, ">", limit), draw(st.integers(1, of)), of)
        case _:
            room = SignalValue("site.temperature", SIGNALS["site.temperature"].dimension)
            mine = SignalValue("pack.temperature", room.dimension)
            return Compare(mine, draw(st.sampled_from(("<", ">="))), room)


@st.composite
def mixed(draw: st.DrawFn) -> tuple[Plan, dict[str, list[Row]], Moment]:
    """A rule that the algebra covers and one that it does not, of two packs."""
    part = draw(outside())
    wrapped = draw(st.sampled_from((part, Not(part), For(part, MINUTE), And((part, draw(leaf()))))))
    rows = {name: draw(heard()) for name in NAMES[:2]}
    last = max((row.moment for all_ in rows.values() for row in all_), default=BEGIN)
    return Plan((rule("in", draw(conditions)), rule("out", wrapped))), rows, last + HOUR

"""Rules looked at only where the watch says so stand as rules that are all looked at each time.

Random rules and random pasts (those of `tests/replay`): readings unknown, stale, on their way along
a slope, upon a limit to the last digit. `CARERULES_REPLAYS=20000` tries so many; a few in CI."""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

sys.path.append(str(Path(__file__).parents[1] / "replay"))

from replay_kit import BEGIN, LOCAL, PACKS, SIGNALS, Row, cases, conditions, mixed, outside, rule

from carerules.domain.condition import Compare, Condition, NumberOfPacks, Op, Or, SignalValue
from carerules.domain.moment import HOUR, MINUTE, NEVER, Moment
from carerules.domain.plan import Plan
from carerules.domain.quantity import COUNT, Known, Quantity, Reading, Truth
from carerules.engine import Bound, Facts, RuleState, bind, evaluate, fresh_states, ready_to_fire
from carerules.engine.hold import Memory
from carerules.engine.trail import Trail
from carerules.engine.watch import Section
from carerules.replay import Told

EXAMPLES = int(os.environ.get("CARERULES_REPLAYS", "150"))
HERON = PACKS["heron"]


class Rules:
    """A pack's rules on their way, looked at whole each time or as the watch says."""

    def __init__(self, bound: Bound, *, spare: bool) -> None:
        self.bound, self.spare = bound, spare
        self.readings: dict[str, Reading] = {}
        self.told = Told(BEGIN, 0, {}, ())
        self.states = fresh_states(bound)
        self.sections: tuple[Section, ...] | None = None
        self.deadline = self.due = BEGIN
        self.looks = 0
        self.fired: list[tuple[str, Moment]] = []
        self.runs: list[tuple[str, Moment | None]] = []

    def until(self, now: Moment) -> None:
        """Look at each moment before `now` at which something is due."""
        while self.due < now:
            self.look(self.due)

    def hear(self, row: Row) -> None:
        self.until(row.moment)
        self.readings |= row.readings
        self.told = row.told or self.told
        own = row.told is None and all(name.startswith("pack.") for name in row.readings)
        self.look(row.moment, heard=True, own=own)

    def look(self, now: Moment, *, heard: bool = False, own: bool = True) -> None:
        watch = self.bound.watch
        whose = None
        sections = watch.sections(self.readings, now)
        if self.spare and own and self.sections is not None:
            found, moved = watch.moved(self.sections, self.readings, now)
            assert found == sections
            if heard and not moved and now < self.deadline:
                self.due = min(self.deadline, watch.stale_at(self.readings, now))
                return
            whose = moved | watch.each_look
        self.looks += 1
        facts = Facts(self.readings, self.readings, self.readings,
                      self.told.happened, self.told.uses, LOCAL)  # fmt: skip
        states, self.deadline = evaluate(self.bound, self.states, facts, now, whose, self.deadline)
        for bound, state in zip(self.bound.rules, states, strict=True):
            if ready_to_fire(state):
                self.fired.append((bound.rule.name, now))
                self.runs.append((bound.rule.name, state.since))
        self.states = tuple(
            one._replace(armed=False) if ready_to_fire(one) else one for one in states
        )
        self.sections = sections
        self.due = min(self.deadline, watch.stale_at(self.readings, now))
        assert self.due > now


def remembered(state: RuleState) -> tuple[object, ...]:
    """All of it but until when it stands, and what a window was to the last digit."""

    def kept(memory: tuple[Memory, ...]) -> list[Memory]:
        return [one for one in memory if not isinstance(one, Trail)]

    memories = (state.memory, state.rearm_memory, state.stop_memory)
    return (state.truth, state.since, state.armed, state.stop, state.held, *map(kept, memories))


@settings(
    max_examples=EXAMPLES, deadline=None, database=None, derandomize=EXAMPLES == 150,
    suppress_health_check=list(HealthCheck), phases=(Phase.generate,),
)  # fmt: skip
@given(
    case=st.one_of(cases(), cases(), mixed()),
    stop=st.one_of(st.none(), conditions, outside()),
)
def test_rules_that_are_spared_a_look_stand_as_if_they_had_been_looked_at(
    case: tuple[Plan, dict[str, list[Row]], Moment], stop: Condition | None
) -> None:
    plan, rows, ends = case
    plan = Plan((*plan.rules, replace(plan.rules[0], name="stopped", stop_when=stop)))
    bound = bind(plan, HERON, SIGNALS)
    for heard in rows.values():
        spared, whole = Rules(bound, spare=True), Rules(bound, spare=False)
        for row in heard:
            spared.hear(row)
            whole.hear(row)
            assert [*map(remembered, spared.states)] == [*map(remembered, whole.states)]
        spared.until(ends + 1)
        whole.until(ends + 1)
        assert spared.fired == whole.fired
        assert spared.looks <= whole.looks


def soc(op: Op, level: float) -> Condition:
    dimension = SIGNALS["pack.soc"].dimension
    return Compare(SignalValue("pack.soc", dimension), op, Quantity(level, dimension))


BOUND = bind(
    Plan((rule("low", soc("<", 20)), rule("mid", Or((soc("=", 50), soc(">", 90)))),
          rule("high", soc(">=", 90)))), HERON, SIGNALS,
)  # fmt: skip
"""Places 0, 1 and 2; limits at 20 (0), 50 (1) and 90 (1, 2)."""


@pytest.mark.parametrize(
    ("before", "after", "whose"),
    [
        (10, 19.9, set()), (10, 20, {0}), (20, 20, set()), (20, 20.1, {0}), (19, 21, {0}),
        (30, 50, {1}), (50, 60, {1}), (60, 50, {1}), (51, 89, set()), (89, 90, {1, 2}),
        (90, 95, {1, 2}), (95, 100, set()), (95, 10, {0, 1, 2}), (49, 91, {1, 2}),
        (10, None, {0, 1, 2}), (None, 10, {0, 1, 2}), (None, None, set()),
    ],
)  # fmt: skip
def test_a_sample_touches_the_rules_whose_limits_it_passes(
    before: float | None, after: float | None, whose: set[int]
) -> None:
    def at(value: float | None) -> dict[str, Reading]:
        return {} if value is None else {"pack.soc": Known(value, 0.5, BEGIN, "")}

    sections = BOUND.watch.sections(at(before), BEGIN)
    assert BOUND.watch.moved(sections, at(after), BEGIN) == (
        BOUND.watch.sections(at(after), BEGIN), whose
    )  # fmt: skip


def test_who_is_not_touched_is_not_looked_at() -> None:
    facts = Facts({"pack.soc": Known(95.0, 0.5, BEGIN, "")}, {}, {}, {}, (), LOCAL)
    states, due = evaluate(BOUND, fresh_states(BOUND), facts, BEGIN, frozenset({2}), NEVER)
    assert [state.truth for state in states] == [Truth.UNKNOWN, Truth.UNKNOWN, Truth.YES]
    assert due == NEVER


def test_a_reading_that_moves_by_itself_meets_its_limit_when_it_is_due() -> None:
    """From 21 %, a point an hour: below 20 % just after an hour; a new line is another moment."""
    rules = Rules(bind(Plan((rule("low", soc("<", 20)),)), HERON, SIGNALS), spare=True)
    rules.hear(Row(BEGIN, 0, {"pack.soc": Known(21.0, 0.5, BEGIN, "", -1 / HOUR)}))
    rules.hear(
        Row(BEGIN + MINUTE, 0, {"pack.soc": Known(21.0, 0.5, BEGIN + MINUTE, "", -2 / HOUR)})
    )
    rules.until(BEGIN + 2 * HOUR)
    ((name, at),) = rules.fired
    assert name == "low"
    assert abs(at - (BEGIN + 31 * MINUTE)) <= 1


def test_on_another_line_all_that_read_it_are_looked_at_though_it_passed_one_limit_only() -> None:
    both = bind(Plan((rule("low", soc("<", 20)), rule("half", soc("<", 50)))), HERON, SIGNALS)
    rules = Rules(both, spare=True)
    rules.hear(Row(BEGIN, 0, {"pack.soc": Known(60.0, 0.5, BEGIN, "", -1 / HOUR)}))
    at = BEGIN + MINUTE
    rules.hear(Row(at, 0, {"pack.soc": Known(40.0, 0.5, at, "", -30 / HOUR)}))
    rules.until(BEGIN + 2 * HOUR)
    assert [name for name, _ in rules.fired] == ["half", "low"]
    assert abs(rules.fired[1][1] - (at + 40 * MINUTE)) <= 1


def test_what_sees_more_than_the_packs_own_signals_is_looked_at_each_time() -> None:
    """The station's plug is seen to by our own commands too, without a look."""
    power = SignalValue("station.load.power", SIGNALS["station.load.power"].dimension)
    busy = Compare(power, ">", Quantity(5.0, power.dimension))
    several = Compare(NumberOfPacks(soc(">", 50)), ">=", Quantity(2.0, COUNT))
    plan = Plan((rule("low", soc("<", 20)), rule("busy", busy), rule("many", several)))
    assert bind(plan, HERON, SIGNALS).watch.each_look == {1, 2}

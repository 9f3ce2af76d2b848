"""The problem that a world gives: hours, prices, lengths and levels, held against sources."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shed_kit import (
    CHEMISTRIES,
    FULL_TOO_LONG,
    LOCAL,
    NOON,
    READY,
    STEP,
    T0,
    at_level,
    use,
    volts,
    world_of,
)

from carerules.battery import ConstantPower, drain_ahead
from carerules.board.planview import plan_view
from carerules.domain.action import DayWindow
from carerules.domain.event import A_PERSON, Attended, Event, Placed, PlanKept, Sample, Value
from carerules.domain.keptplan import Hours
from carerules.domain.moment import DAY, HOUR
from carerules.domain.pack import Side
from carerules.loop import figures_of, foresee, step
from carerules.planner import (
    broken_limits,
    kept_lines,
    kept_plan,
    kept_shape,
    plan_drawing,
    plan_lines,
    plan_shape,
    planned_simply,
    problem_of,
    read_window,
    solved,
    with_prices,
)

# ---- what nobody sees ------------------------------------------------------------------------

READ_MARK = "read heron"
DEEP = "rule stored\n    when pack.soc >= 95 for 2 h: drain to 45 %\n"


def unseen_at(percent: float) -> Sample:
    """A person says the charge, and nothing tells a voltage."""
    return Sample(T0, T0, "heron", (Value("pack.soc", percent, 1.0),), A_PERSON)


def test_a_drain_that_nobody_sees_is_read_on_its_way_by_who_is_awake() -> None:
    """Each 30 points, as the interlock has it (docs/safety.md): a run does not go past that."""
    world = world_of(DEEP, unseen_at(100.0), blind=True)
    hours = Hours(awake=DayWindow(8 * 60, 21 * 60))
    asked = problem_of(world, NOON + 4 * HOUR, hours)
    first, second = asked.problem.packs[0].wishes
    assert (first.percent, first.read, second.percent, second.read) == (70.0, False, 45.0, True)
    assert second.follows
    assert first.weight + second.weight == round(1e7)  # left out, they cost what a whole one does
    schedule = solved(asked.problem, simple=True)
    assert broken_limits(asked.problem, schedule) == ()
    night, morning = schedule.runs
    assert LOCAL.read(asked.problem.moment(night.begin)).hour == 20
    assert LOCAL.read(asked.problem.moment(morning.begin)).hour == 8
    plan = plan_shape(world, hours, asked, schedule)
    assert [(LOCAL.read(asked.problem.moment(morning.begin)), "heron")] == [
        (one.at, one.pack) for one in plan.readings
    ]
    assert "08:00  read heron's voltage and enter it" in " ".join(plan_lines(plan))
    assert [run.read for run in plan.runs] == [False, True]
    assert plan_drawing(plan, plan.site).count(READ_MARK) == 1


def test_a_kept_plan_shows_when_the_pack_is_read() -> None:
    """In its words, in its drawing and on its page, after the move that comes before it."""
    world = world_of(DEEP, unseen_at(100.0), blind=True)
    end = NOON + 4 * HOUR
    world, _ = step(world, PlanKept(world.now, planned_simply(world, end, Hours(), "kit")))
    shape = kept_shape(world)
    assert shape.plan is not None
    (first, second) = shape.plan.runs
    assert (first.read, second.read) == (False, True)
    assert plan_drawing(shape.plan, shape.site).count(READ_MARK) == 1
    (line,) = [line for line in kept_lines(shape) if "read heron's voltage" in line]
    assert f"{second.begins:%H:%M}" in line
    (marks,) = [line for line in kept_lines(shape) if line.strip().startswith("by hand |")]
    assert marks.replace(" ", "") == "byhand|^r|"
    view = plan_view(shape)
    assert view is not None
    assert [row.words for row in view.by_hand] == [
        "put heron on B", "read heron's voltage and enter it: its drain goes on"
    ]  # fmt: skip


def test_a_drain_that_is_not_read_is_left_out_once_and_by_its_own_target() -> None:
    """Nobody is awake before the plan ends: the first stage is had, and the rest is not."""
    world = world_of(DEEP, unseen_at(100.0), blind=True)
    hours = Hours(awake=DayWindow(14 * 60, 15 * 60))
    moved, _ = step(world, Placed(T0, "heron", "A"))
    asked = problem_of(moved, NOON, hours)
    schedule = solved(asked.problem, simple=True)
    plan = plan_shape(moved, hours, asked, schedule)
    assert [run.target_percent for run in plan.runs] == [70.0]
    assert [one.target_percent for one in plan.left_out] == [45.0]
    kept = kept_plan(moved, hours, NOON, asked, schedule, "kit")
    assert [one.target for one in kept.left_out] == [45.0]
    assert any("until somebody has read it" in remark for remark in kept.remarks)


@pytest.mark.parametrize(
    ("rules", "pack", "blind"),
    [
        (DEEP, at_level(100.0), False),  # a plan goes by the rules: what the interlock says is its
        (DEEP.replace("45", "75"), unseen_at(100.0), True),  # no more than 30 points
        (DEEP, volts(25.2), True),  # it tells its voltage, or did: it will where it hangs again
    ],
)
def test_other_drains_are_one_run(rules: str, pack: Sample, blind: bool) -> None:
    world = world_of(rules, pack, blind=blind)
    (wish,) = problem_of(world, NOON, Hours()).problem.packs[0].wishes
    assert (wish.read, wish.whole) == (False, None)


def test_deeper_than_it_may_go_unseen_no_station_drains_it() -> None:
    """At least 30 % where nobody sees the voltage (docs/safety.md)."""
    world = world_of(DEEP.replace("45", "20"), unseen_at(100.0), blind=True)
    wishes = problem_of(world, NOON, Hours()).problem.packs[0].wishes
    assert all(wish.ways == () for wish in wishes)


def test_where_only_one_of_two_stations_is_blind_the_plan_says_what_it_does_not_count() -> None:
    world = world_of(DEEP, unseen_at(100.0), blind={"A"})
    asked = problem_of(world, NOON, Hours())
    (remark,) = asked.remarks
    assert "on A it waits to be read each 30 points" in remark


# ---- levels and times --------------------------------------------------------------------------


def test_the_level_and_its_time_are_the_rules() -> None:
    world = world_of(FULL_TOO_LONG, at_level(100.0))
    problem = problem_of(world, NOON, Hours()).problem
    (wish,) = problem.packs[0].wishes
    assert (wish.side, wish.percent, wish.why) == (Side.LOAD, 80.0, "full-too-long")
    (fires,) = foresee(world, "heron").values()
    assert problem.moment(wish.ready - 1) < fires <= problem.moment(wish.ready)
    assert problem.begin == LOCAL.moment(datetime(2026, 11, 30, 18, 15))
    assert problem.moment(problem.steps) == NOON


def test_after_the_drain_the_next_rule_is_foreseen_and_the_use_kept() -> None:
    """A full pack is drained to 80 %; six hours before the use another rule wants it full again."""
    world = world_of(FULL_TOO_LONG + READY, at_level(100.0), use(17))
    problem = problem_of(world, NOON, Hours()).problem
    first, second = problem.packs[0].wishes
    assert (first.percent, second.percent, second.use) == (80.0, 100.0, "survey")
    assert problem.moment(second.due) <= T0 + 17 * HOUR < problem.moment(second.due + 1)
    assert problem.moment(second.ready) >= T0 + 11 * HOUR
    assert second.gap * STEP >= CHEMISTRIES["lipo"].limits.rest_before_charge
    assert first.saves > 0 > second.saves


def test_a_use_alone_wants_the_pack_full() -> None:
    problem = problem_of(world_of("", at_level(60.0), use(15)), NOON, Hours()).problem
    (wish,) = problem.packs[0].wishes
    assert (wish.side, wish.percent, wish.use, wish.why) == (Side.CHARGER, 100.0, "survey", "")
    assert [way.station for way in wish.ways] == ["A"]


def test_a_charge_that_has_no_time_to_be_ready_by_is_made_at_once() -> None:
    rules = "rule low\n    when pack.soc < 50 %: charge to 70 %\n"
    problem = problem_of(world_of(rules, at_level(30.0)), NOON, Hours()).problem
    assert [run.begin for run in solved(problem, simple=True).runs] == [0]


def test_what_is_full_has_nothing_to_wait_for() -> None:
    problem = problem_of(world_of("", at_level(100.0), use(15)), NOON, Hours()).problem
    assert problem.packs[0].wishes == ()


def test_a_drain_takes_as_long_as_the_forecast_says_at_its_slow_end() -> None:
    world = world_of(FULL_TOO_LONG, at_level(100.0))
    (wish,) = problem_of(world, NOON, Hours()).problem.packs[0].wishes
    figures = figures_of(world, "heron")
    assert figures is not None
    for way, watts in zip(wish.ways, (60.0, 120.0), strict=True):
        _, ahead = drain_ahead(figures, ConstantPower(watts), 0.8)
        assert ahead.time_high_s / 60 <= 15 * way.steps < ahead.time_high_s / 60 + 15
        assert way.wall_w == 0


def test_at_most_a_power_leaves_the_stronger_load_out() -> None:
    rules = "rule slow\n    when pack.soc >= 95: drain to 80 % at most 80 W\n"
    (wish,) = problem_of(world_of(rules, at_level(100.0)), NOON, Hours()).problem.packs[0].wishes
    assert [way.station for way in wish.ways] == ["A"]


def test_a_rule_with_hours_of_its_own_runs_within_them() -> None:
    rules = "rule night\n    when pack.soc >= 95: drain to 80 % during 22:00-06:00\n"
    problem = problem_of(world_of(rules, at_level(100.0)), NOON, Hours()).problem
    (wish,) = problem.packs[0].wishes
    for way in wish.ways:
        begins = [step for first, end in way.begins for step in range(first, end)]
        first, last = problem.moment(begins[0]), problem.moment(begins[-1] + way.steps)
        assert LOCAL.read(first).hour == 22
        assert LOCAL.read(last).strftime("%H:%M") == "06:00"
    schedule = solved(problem, simple=True)
    assert [LOCAL.read(problem.moment(run.begin)).hour for run in schedule.runs] == [22]


def test_a_plug_without_a_timer_runs_only_while_somebody_is_there() -> None:
    world = world_of(FULL_TOO_LONG, at_level(100.0), lease_s=None)
    awake = Hours(awake=DayWindow(8 * 60, 9 * 60 + 30))
    problem = problem_of(world, NOON, awake).problem
    (wish,) = problem.packs[0].wishes
    ways = {way.station: way for way in wish.ways}
    assert ways["A"].begins == ()  # 80 minutes and more do not fit into 90 with a whole step
    assert [LOCAL.read(problem.moment(first)).hour for first, _ in ways["B"].begins] == [8]


def test_what_cannot_be_planned_is_said() -> None:
    asked = problem_of(world_of(FULL_TOO_LONG, Placed(T0, "heron", "A")), NOON, Hours())
    assert [pack.wishes for pack in asked.problem.packs] == [()]
    assert asked.remarks == ("heron is left out of the plan: its charge is unknown: never seen",)
    late = problem_of(world_of(FULL_TOO_LONG, at_level(100.0)), T0 + HOUR, Hours())
    assert late.problem.packs[0].wishes == ()


# ---- any world ---------------------------------------------------------------------------------

RULES = [
    FULL_TOO_LONG,
    READY,
    "rule low\n    when pack.soc < 40 % for 1 h: charge to 60 %\n",
    "rule night\n    when pack.soc >= 70: drain to 55 % at most 80 W during 22:00-06:00\n",
    "rule turn\n    when pack.soc >= 90:\n        drain to 20 %\n        rest 1 h\n"
    "        charge to 50 % at most 0.7 C by 09:00\n",
]
LEVELS = {80.0, 100.0, 60.0, 55.0, 20.0, 50.0}


@given(
    rules=st.lists(st.sampled_from(RULES), unique=True),
    levels=st.lists(st.none() | st.floats(0, 100), min_size=3, max_size=3),
    start=st.none() | st.floats(0.1, 40),
    places=st.permutations(["A", "B", None]),
    hours=st.floats(0.1, 60),
    lease=st.sampled_from([None, 90]),
    awake=st.tuples(st.integers(0, 1439), st.integers(0, 1439)),
    circuit=st.sampled_from([None, 100.0, 2_300.0]),
)
@settings(max_examples=60, deadline=None)
def test_a_plan_of_any_world_holds(
    rules: list[str], levels: list[float | None], start: float | None,
    places: list[str | None], hours: float, lease: int | None, awake: tuple[int, int],
    circuit: float | None,
) -> None:  # fmt: skip
    names = ["heron", "egret", "grebe"]
    events: list[Event] = [Placed(T0, pack, place)
                           for pack, place in zip(names, places, strict=True)]  # fmt: skip
    if start is not None:
        events.append(use(start, *names))
    events += [at_level(level, pack) for pack, level in zip(names, levels, strict=True)
               if level is not None]  # fmt: skip
    world = world_of("".join(rules), *events, packs=dict.fromkeys(names, "lipo"), lease_s=lease)
    asked = problem_of(world, T0 + round(hours * HOUR), Hours(DayWindow(*awake), circuit))
    schedule = solved(asked.problem, simple=True)
    assert broken_limits(asked.problem, schedule) == ()
    for run in schedule.runs:
        assert asked.problem.pack(run.pack).wishes[run.wish].percent in LEVELS
    shown = plan_shape(world, Hours(), asked, schedule)
    assert max(map(len, plan_lines(shown))) <= 80
    assert plan_drawing(shown, shown.site).count("<rect") >= len(shown.runs)


# ---- prices --------------------------------------------------------------------------------------


def test_lying_costs_what_was_published() -> None:
    """At 25 °C an NCA cell lost 6.891 % of its capacity in its first year full, and 3.813 % half
    full (Keil et al. 2016, doi 10.1149/2.0411609jes); one of NMC811 lost 10.85 and 9.846 % (project
    EVERLASTING, report D2.3, 2020): both as fitted in blast-lite 1.1.1. Between two lies the mean.
    """
    steps_a_year = 365 * 24 * 4
    for level, percents in ((100.0, (6.891, 10.85)), (50.0, (3.813, 9.846))):
        world = world_of("", at_level(level), packs={"heron": "nca"})
        task = problem_of(world, NOON, Hours()).problem.packs[0]
        assert task.lies * 1e-7 * steps_a_year == pytest.approx(sum(percents) / 2, rel=1e-3)


def test_a_kilowatt_hour_costs_the_tariffs_price() -> None:
    """180 W through an hour at 0.30 a kWh are 0.054 of money, and 0.0054 % of a pack's capacity."""
    hours = with_prices(Hours(), ["0.10", "00:00-06:00 0.30"])
    assert isinstance(hours, Hours)
    world = world_of("", at_level(60.0))
    problem = problem_of(world, NOON, hours).problem
    night = [problem.price[step] for step in range(problem.steps)
             if LOCAL.read(problem.moment(step)).hour < 6]  # fmt: skip
    assert len(night) == 24
    assert 180 * sum(night[:4]) * 1e-7 == pytest.approx(0.0054)
    assert problem.price[0] * 3 == night[0]


# ---- hours ---------------------------------------------------------------------------------------


def test_who_stays_is_awake() -> None:
    staying = Attended(T0, T0 + 3 * HOUR)
    late = Hours(awake=DayWindow(7 * 60, 19 * 60))
    asleep = problem_of(world_of("", at_level(60.0)), NOON, late).problem
    there = problem_of(world_of("", at_level(60.0), staying), NOON, late).problem
    assert sum(there.awake) - sum(asleep.awake) == 8  # 19:00 to 21:00: of the next step only a part


def test_the_night_of_the_clock_change_has_its_hour_more() -> None:
    """On 25 October 2026 clocks in Lisbon go back at 02:00 (Directive 2000/84/EC): 13 h from
    22:00 to 10:00."""
    begin = LOCAL.moment(datetime(2026, 10, 24, 22))
    end = LOCAL.moment(datetime(2026, 10, 25, 10))
    world = replace(world_of("", at_level(60.0)), now=begin)
    problem = problem_of(world, end, Hours()).problem
    assert problem.steps == 13 * 4
    assert sum(problem.awake) == 3 * 4


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("07:00-22:30", DayWindow(420, 1350)),
        ("22:00-6:00", DayWindow(1320, 360)),
        ("00:00-24:00", DayWindow(0, 0)),
        ("25:00-03:00", None),
        ("07:60-08:00", None),
        ("07:00", None),
        ("07:00-07:00", None),
    ],
)
def test_hours_are_read_at_the_door(text: str, wanted: DayWindow | None) -> None:
    read = read_window(text)
    assert read == wanted if wanted is not None else isinstance(read, str) and "found" in read


@pytest.mark.parametrize("text", ["-1", "0.3 EUR", "22:00 0.1", "9999", "22:00-25:00 0.3", ""])
def test_a_price_is_read_at_the_door(text: str) -> None:
    read = with_prices(Hours(), [text])
    assert isinstance(read, str)
    assert read.startswith("found `")


def test_a_plan_is_at_most_a_week_long() -> None:
    problem = problem_of(world_of("", at_level(60.0)), T0 + 30 * DAY, Hours()).problem
    assert problem.steps == 7 * 24 * 4

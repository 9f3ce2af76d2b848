"""A plan that is kept: the to-do list follows it, and where reality differs it is said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from kept_kit import SLOW, begun, done, kept, on, plan_chores, two_full
from shed_kit import FULL_TOO_LONG, LOCAL, NOON, READY, T0, at_level, use, world_of

from carerules.domain.action import DayWindow
from carerules.domain.decision import (
    ChoreClosed,
    ChoreOpened,
    JobEnded,
    Notice,
    SwitchOn,
)
from carerules.domain.event import (
    Cancelled,
    ChoreAnswered,
    Event,
    Placed,
    PlanDropped,
    PlanKept,
    Released,
    Sample,
    Tick,
    UseDropped,
    Wanted,
)
from carerules.domain.keptplan import GIVEN_UP, Hours, KeptMove, KeptPlan
from carerules.domain.moment import DAY, HOUR, MINUTE, NEVER, SECOND, Moment
from carerules.domain.pack import Side
from carerules.loop import (
    Dues,
    World,
    coming,
    differences,
    learn,
    next_due,
    planned_mend,
    step,
)
from carerules.planner import kept_lines, kept_shape, planned_simply, problem_of

# ---- the story of one swap ---------------------------------------------------------------------


def test_a_swap_comes_onto_the_list_in_its_time_and_goes_when_it_is_made() -> None:
    world = kept(two_full())
    assert world.kept is not None
    (move,) = world.kept.moves
    first, second = world.kept.runs
    assert (first.pack, first.station, second.pack) == ("heron", "A", "egret")
    assert (move.pack, move.station, move.off) == ("egret", "A", "heron")
    assert first.ends <= move.tell <= move.at <= second.begins
    assert plan_chores(world) == {}, "heron is still to drain there"
    assert [one.pack for one in coming(world)] == ["egret"]

    assert next_due(world) <= move.tell
    world, decided = on(world, at_level(80.0, at=move.tell - MINUTE), Tick(move.tell))
    text = f"by {LOCAL.show(move.at)}: put egret on A, in place of heron (the plan)"
    assert plan_chores(world) == {"plan egret on A": text}
    assert ChoreOpened("plan egret on A", "egret", text) in decided
    assert text in [one.text for one in decided if isinstance(one, Notice)]

    world, decided = on(world, Placed(move.tell + MINUTE, "egret", "A"))
    assert plan_chores(world) == {}
    assert ChoreClosed("plan egret on A") in decided
    assert world.kept is not None
    assert [one.done for one in world.kept.moves] == [move.tell + MINUTE]
    assert differences(world) == ()


def test_done_on_the_list_says_that_the_pack_hangs_there() -> None:
    world = kept(two_full())
    assert world.kept is not None
    tell = world.kept.moves[0].tell
    world, _ = on(world, at_level(80.0, at=tell - MINUTE), Tick(tell))
    chore = world.chores["plan egret on A"]
    other, _ = on(world, *done(world, tell + SECOND, chore.key, "other words than it had"))
    assert other.packs["egret"].station is None, "who answered saw something else"
    assert "plan egret on A" in other.chores
    world, _ = on(world, *done(world, tell + SECOND, chore.key, chore.text))
    assert (world.packs["egret"].station, world.packs["heron"].station) == ("A", None)
    assert plan_chores(world) == {}


def test_what_is_hung_there_while_the_plan_is_made_is_not_asked_for() -> None:
    """A plan takes its seconds, and people do not wait for it."""
    world = two_full()
    plan = planned_simply(world, NOON, Hours(), "the service")
    assert [(move.pack, move.station, move.done) for move in plan.moves] == [("egret", "A", None)]
    hung = replace(plan, moves=(replace(plan.moves[0], tell=T0, at=T0 + HOUR),), runs=())
    world, _ = on(world, Placed(T0 + 5 * SECOND, "egret", "A"), PlanKept(T0 + 8 * SECOND, hung))
    assert world.kept is not None
    assert [move.done for move in world.kept.moves] == [T0 + 5 * SECOND]
    assert plan_chores(world) == {}
    assert coming(world) == []
    world, _ = on(world, Tick(T0 + 2 * HOUR))
    assert not any("was to be hung" in one for one in differences(world))


def test_what_hung_there_before_the_plan_was_made_is_still_to_be_hung_there() -> None:
    """It comes off for another pack first, and back: the move is the one back."""
    world = two_full()
    plan = planned_simply(world, NOON, Hours(), "the service")
    away = KeptMove("heron", "B", T0, T0 + HOUR)
    back = KeptMove("heron", "A", T0 + 2 * HOUR, T0 + 3 * HOUR)
    world, _ = on(world, PlanKept(world.now, replace(plan, moves=(away, back), runs=())))
    assert world.kept is not None
    assert [move.done for move in world.kept.moves] == [None, None]
    assert list(plan_chores(world)) == ["plan heron on B"]


def test_not_now_holds_it_back_and_does_not_move_anything() -> None:
    world = kept(two_full())
    assert world.kept is not None
    tell = world.kept.moves[0].tell
    world, _ = on(world, at_level(80.0, at=tell - MINUTE), Tick(tell))
    chore = world.chores["plan egret on A"]
    until = tell + HOUR
    world, _ = on(world, ChoreAnswered(tell + SECOND, chore.key, chore.text, until))
    assert world.chores[chore.key].later == until
    assert world.packs["egret"].station is None


def test_nobody_is_told_to_take_off_what_still_drains() -> None:
    """The drain takes longer than its slow end: the swap waits for it, until it is too late."""
    world = kept(two_full())
    assert world.kept is not None
    (move,) = world.kept.moves
    world, _ = on(world, at_level(96.0, at=move.tell - MINUTE), Tick(move.tell))
    assert plan_chores(world) == {}
    assert differences(world) == ()
    ends = world.kept.runs[0].ends if world.kept else 0
    world, _ = on(world, at_level(96.0, at=ends + 31 * MINUTE))
    assert f"heron was to be at 80 % by {LOCAL.show(ends)}, and is at 96 %" in differences(world)


def test_a_run_is_over_as_well_when_its_job_ended_well() -> None:
    """At 94 % the rule wants no drain any more: nobody waits for the 80 % that the plan had, and
    one made anew has none."""
    world = kept(two_full())
    world, decided = on(world, at_level(94.0, at=world.now + MINUTE))
    assert any(isinstance(one, JobEnded) and one.pack == "heron" for one in decided)
    assert world.kept is not None
    assert world.kept.runs[0].done == world.now
    assert "; over Mon 30 Nov 18:0" in " ".join(" ".join(kept_lines(kept_shape(world))).split())
    assert differences(world) == ("heron is at 94 %, and the plan has it at 80 %",)
    assert differences(kept_again(world, world.now)) == ()


def test_nobody_is_told_to_take_off_what_a_plug_is_on_for() -> None:
    """What the plan has there is done, and somebody has something else done there meanwhile."""
    world = kept(two_full())
    assert world.kept is not None
    (move,) = world.kept.moves
    world, _ = on(world, at_level(80.0, at=move.tell - MINUTE))
    assert world.kept is not None
    assert world.kept.runs[0].done is not None
    load = replace(world.plugs["A-load"], on_at=world.now, off_at=None)
    busy = replace(world, plugs={**world.plugs, "A-load": load})
    assert plan_chores(learn(busy, Tick(move.tell), ())) == {}
    assert list(plan_chores(learn(world, Tick(move.tell), ()))) == ["plan egret on A"]


def test_a_job_that_waits_for_a_place_leaves_the_word_to_the_plan() -> None:
    """`put egret on a station with a load` would have it hung anywhere, at any time."""
    world, _ = on(two_full(), Tick(T0 + 10 * SECOND))
    assert any("put egret on a station" in one.text for one in world.chores.values())
    world = kept(world)
    assert not any("put egret" in one.text for one in world.chores.values())
    world, decided = on(world, PlanDropped(T0 + MINUTE))
    assert world.kept is None
    assert any("put egret on a station" in one.text for one in world.chores.values())
    assert any(isinstance(one, ChoreOpened) for one in decided)


def test_the_plan_goes_when_its_time_is_over() -> None:
    world = kept(two_full())
    assert next_due(replace(world, now=NOON - SECOND)) <= NOON
    world, _ = on(world, Tick(NOON))
    assert world.kept is None
    assert plan_chores(world) == {}


# ---- what cannot be had ------------------------------------------------------------------------


def infeasible() -> World:
    """Both are wanted full in two hours, and the one charger can fill one of them."""
    packs = {"heron": "lipo", "egret": "lipo"}
    return begun(world_of("", Placed(T0, "heron", "A"), at_level(60.0), at_level(60.0, "egret"),
                          use(1.5, "heron", "egret"), packs=packs))  # fmt: skip


def test_what_cannot_be_had_is_said_with_the_cheapest_choice() -> None:
    world = kept(infeasible())
    assert world.kept is not None
    (left,) = world.kept.left_out
    ((key, text),) = plan_chores(world).items()
    assert key == f"plan without {left.pack} charger 100"
    assert text.startswith(f"{left.pack} will not be charged to 100 % by Mon 30 Nov 19:")
    assert "for survey: it takes" in text
    assert text.endswith("of all that is wanted this is the cheapest to do without")

    world, _ = on(world, ChoreAnswered(world.now + SECOND, key, text))
    assert plan_chores(world) == {}
    world = kept_again(world, T0 + 5 * MINUTE)
    assert plan_chores(world) == {}, "who has seen it need not see it again"


def kept_again(world: World, at: Moment, until: Moment = NOON) -> World:
    world, _ = on(world, Tick(at))
    plan = planned_simply(world, until, Hours(), "the service")
    return on(world, PlanKept(at, plan))[0]


def without_a_load() -> World:
    """A person wants egret drained, and both stations are locked: every plan does without it."""
    world = kept(two_full(""))
    world, _ = on(world, Wanted(T0 + MINUTE, "egret", "storage", 50.0))
    stations = {name: replace_locked(world, name) for name in world.stations}
    return kept_again(replace(world, stations=stations), T0 + 2 * MINUTE)


def test_what_somebody_has_seen_of_one_night_is_said_again_of_another() -> None:
    """Seen, it is let be while this night is planned anew; a pack that lies full for a week is not
    to be silent all the week."""
    world = without_a_load()
    ((key, text),) = plan_chores(world).items()
    assert key == "plan without egret load 50"
    world, _ = on(world, ChoreAnswered(world.now + SECOND, key, text))
    assert plan_chores(world) == {}
    world = kept_again(world, T0 + 20 * MINUTE)
    assert plan_chores(world) == {}, "the same night"
    world = kept_again(world, NOON - HOUR, NOON + DAY)
    assert list(plan_chores(world)) == [key]


def test_a_wish_by_hand_is_not_taken_for_another_that_was_left_out() -> None:
    """The plan says nothing of what it knows nothing of, and is made anew for it."""
    world = without_a_load()
    (job,) = world.packs["egret"].jobs
    world, _ = on(world, Tick(world.now + 10 * SECOND))
    (job,) = world.packs["egret"].jobs
    assert planned_mend(world, job) == "the plan has no room for it"
    world, _ = on(world, Wanted(world.now + MINUTE, "egret", "storage", 60.0),
                  Tick(world.now + 2 * MINUTE))  # fmt: skip
    (other,) = world.packs["egret"].jobs
    assert other.id != job.id
    assert planned_mend(world, other) == ""
    assert differences(world) == ("egret: drain to 60 % is not in the plan",)
    world = kept_again(world, world.now + MINUTE)
    (other,) = world.packs["egret"].jobs
    assert planned_mend(world, other) == "the plan has no room for it"
    assert differences(world) == ()


def test_a_wish_by_hand_is_not_taken_for_another_that_is_planned() -> None:
    world = kept(two_full(""))
    world, _ = on(world, Wanted(T0 + MINUTE, "heron", "storage", 50.0))
    world = kept_again(world, T0 + 2 * MINUTE)
    assert world.kept is not None
    assert [run.target for run in world.kept.runs] == [50.0]
    world, _ = on(world, Wanted(T0 + 3 * MINUTE, "heron", "storage", 70.0))
    assert differences(world) == ("heron: drain to 70 % is not in the plan",)
    assert differences(kept_again(world, world.now)) == ()


def test_of_what_cannot_be_had_nobody_is_told_at_night() -> None:
    late = Hours(awake=DayWindow(19 * 60, 22 * 60))
    world = kept(infeasible(), hours=late)
    assert plan_chores(world) == {}
    world, _ = on(world, Tick(LOCAL.moment(datetime(2026, 11, 30, 19))))
    assert len(plan_chores(world)) == 1


# ---- where reality differs ---------------------------------------------------------------------


def hung_elsewhere(world: World) -> Sequence[Event]:
    return [Placed(world.now + MINUTE, "heron", "B")]


def taken_off(world: World) -> Sequence[Event]:
    return [Placed(world.now + MINUTE, "heron", None)]


def used_meanwhile(world: World) -> Sequence[Event]:
    return [at_level(40.0, "egret", world.now + HOUR)]


def use_planned(world: World) -> Sequence[Event]:
    return [replace(use(14, "heron"), heard=world.now + MINUTE)]


def nobody_came(world: World) -> Sequence[Event]:
    assert world.kept is not None
    (move,) = world.kept.moves
    return [at_level(80.0, at=move.tell - MINUTE), Tick(move.at + 31 * MINUTE)]


@pytest.mark.parametrize(
    ("happens", "says"),
    [
        (hung_elsewhere, "heron was to stay on A, and is on B"),
        (taken_off, "heron was to stay on A, and is on no station"),
        (used_meanwhile, "egret is at 40 %, and the plan has it at 80 %"),
        (use_planned, "the use survey has changed"),
        (nobody_came, "egret was to be put on A by"),
    ],
)  # fmt: skip
def test_what_differs_is_said_and_a_plan_made_anew_fits(happens: object, says: str) -> None:
    assert callable(happens)
    world = kept(two_full())
    assert differences(world) == ()
    world, _ = on(world, *happens(world))
    assert any(one.startswith(says) for one in differences(world)), differences(world)
    shown = kept_lines(kept_shape(world))
    assert any(line.startswith("it no longer fits: ") for line in shown)
    world = kept_again(world, world.now)
    assert differences(world) == ()


def test_a_locked_station_and_a_pack_that_is_barred_ask_for_another_plan() -> None:
    world = kept(two_full())
    stations = {**world.stations, "A": replace_locked(world, "A")}
    locked = replace(world, stations=stations)
    assert differences(locked) == ("station A is locked",)
    barred = {**world.packs, "egret": replace(world.packs["egret"], barred="swollen")}
    assert "egret cannot be planned any more" in differences(replace(world, packs=barred))
    assert differences(on(locked, Released(T0 + MINUTE, "A"))[0]) == ()


def replace_locked(world: World, name: str) -> object:
    return replace(world.stations[name], locked="its plug was not read back off")


def test_a_use_that_is_called_off_ends_what_was_wanted_for_it() -> None:
    world = kept(infeasible())
    world, _ = on(world, UseDropped(T0 + MINUTE, "survey"))
    assert "the use survey has changed" in differences(world)


def test_a_job_that_is_not_in_the_plan_asks_for_another_and_once_is_enough() -> None:
    world, _ = on(two_full(FULL_TOO_LONG), Tick(T0 + 10 * SECOND))
    world = kept(world, until=T0 + HOUR)
    assert world.kept is not None
    assert world.kept.runs == (), "its rule fires after this plan"
    world, _ = on(world, Tick(T0 + 30 * MINUTE), Tick(T0 + 3 * HOUR))
    world = kept_again(world, T0 + 3 * HOUR)
    assert differences(world) == ()


def test_what_a_person_wants_meanwhile_asks_for_another_plan_once() -> None:
    world = kept(two_full())
    world, _ = on(world, Wanted(world.now + MINUTE, "heron", "storage", 50.0))
    assert differences(world) == ("heron: drain to 50 % is not in the plan",)
    assert differences(kept_again(world, world.now)) == ()


def test_a_job_that_no_plan_is_about_is_no_difference_where_it_was_there() -> None:
    """A plain switch aims at no charge, so that no plan has it: made anew for it, it would be made
    anew for ever."""
    rules = "rule stir\n    when pack.soc >= 95: switch load on for 1 h\n"
    world = begun(world_of(rules, Placed(T0, "heron", "A"), at_level(100.0)))
    assert [job.side for job in world.packs["heron"].jobs] == [Side.LOAD]
    world = kept(world)
    assert world.kept is not None
    assert world.kept.runs == ()
    assert differences(world) == ()


def test_a_job_that_is_called_off_before_its_charge_asks_for_another_plan() -> None:
    world = kept(two_full())
    (job,) = world.packs["heron"].jobs
    world, _ = on(world, Cancelled(world.now + MINUTE, job.id))
    assert f"job {job.id} ended before heron was at 80 %" in differences(world)
    assert differences(kept_again(world, world.now)) == ()


def test_a_use_shortly_after_the_end_counts_and_one_long_after_does_not() -> None:
    world = kept(two_full())
    soon, _ = on(world, replace(use(20, "heron"), heard=world.now + MINUTE))
    assert differences(soon) == ("the use survey has changed",)
    far, _ = on(world, replace(use(40, "heron"), heard=world.now + MINUTE))
    assert differences(far) == ()


def test_nothing_is_planned_after_the_charge_for_a_use() -> None:
    """A rule that drains what is full would fire before the pack is taken away: nobody hangs it
    anywhere for that."""
    world = world_of(SLOW + READY, Placed(T0, "heron", "A"), at_level(60.0), use(4))
    wishes = problem_of(world, NOON, Hours()).problem.packs[0].wishes
    assert [(one.side.value, one.percent, one.use) for one in wishes] == [
        ("charger", 100.0, "survey")
    ]


def test_the_world_is_told_the_time_when_people_are_to_be_told() -> None:
    world = kept(infeasible(), hours=Hours(awake=DayWindow(19 * 60, 22 * 60)))
    world = replace(world, packs={name: replace(state, due=NEVER, jobs_due=NEVER)
                                  for name, state in world.packs.items()})  # fmt: skip
    tell = LOCAL.moment(datetime(2026, 11, 30, 19))
    assert next_due(world) == Dues().next(world) == tell
    assert next_due(replace(world, kept=None)) > tell


# ---- of any world ------------------------------------------------------------------------------

RULES = [
    FULL_TOO_LONG,
    READY,
    SLOW,
    "rule low\n    when pack.soc < 40 % for 1 h: charge to 60 %\n",
    "rule night\n    when pack.soc >= 70: drain to 55 % at most 80 W during 22:00-06:00\n",
    "rule turn\n    when pack.soc >= 90:\n        drain to 20 %\n        rest 1 h\n"
    "        charge to 50 % at most 0.7 C by 09:00\n",
]
NAMES = ["heron", "egret", "grebe"]


@dataclass(frozen=True)
class Drawn:
    """A world that was drawn, in few words."""

    rules: tuple[str, ...]
    places: tuple[str | None, ...]
    levels: tuple[float | None, ...]
    start: float | None
    packs: tuple[str, ...]
    begun: bool

    def made(self) -> World:
        events: list[Event] = [
            Placed(T0, pack, place) for pack, place in zip(NAMES, self.places, strict=True)
        ]
        if self.start is not None:
            events.append(use(self.start, *self.packs))
        for pack, level in zip(NAMES, self.levels, strict=True):
            if level is not None:
                events.append(at_level(level, pack))
        world = world_of("".join(self.rules), *events, packs=dict.fromkeys(NAMES, "lipo"))
        if self.begun:
            world = begun(world)
        return world


DRAWN = st.builds(
    Drawn,
    st.lists(st.sampled_from(RULES), unique=True).map(tuple),
    st.permutations(["A", "B", None]).map(tuple),
    st.tuples(*[st.none() | st.floats(0, 100)] * 3),
    st.none() | st.floats(0.1, 20),
    st.lists(st.sampled_from(NAMES), min_size=1, unique=True).map(tuple),
    st.booleans(),
)


def check_list(world: World) -> None:
    """The to-do list says what the kept plan and the placement do, and nothing else."""
    chores = plan_chores(world)
    if world.kept is None:
        assert chores == {}
        return
    # A pack can be hung on one station twice: then the list is about the first time.
    undone = {f"plan {one.pack} on {one.station}": one for one in reversed(coming(world))}
    for key, text in chores.items():
        if key.startswith("plan without "):
            assert world.kept.left_out
            continue
        move = undone[key]  # what is done is on no list
        assert move.tell <= world.now
        assert f"put {move.pack} on {move.station}" in text
        there = world.hangs.get(move.station)
        assert ("in place of" in text) == (there is not None and there != move.pack)
        if there is not None and there != move.pack:
            assert f"in place of {there}" in text
    for move in next_ones(world.kept):
        if move.tell <= world.now and not _held_up(world, world.kept, move):
            assert f"plan {move.pack} on {move.station}" in chores, "what is to be done is listed"
    jobs = {job.id: job for state in world.packs.values() for job in state.jobs}
    for key in world.chores:
        if key in jobs and not key.startswith("plan "):
            first = {one.pack: one for one in reversed(coming(world))}
            moved = {name for name, one in first.items() if world.now <= one.at + GIVEN_UP}
            assert not (jobs[key].pack in moved and "on a station with a" in world.chores[key].text)


def next_ones(plan: KeptPlan) -> list[KeptMove]:
    """The first move that is not made yet of each station, if it is its pack's first as well."""
    left = [one for one in plan.moves if one.done is None]
    return [
        one for number, one in enumerate(left)
        if all(one.pack != other.pack and one.station != other.station for other in left[:number])
    ]  # fmt: skip


def _held_up(world: World, plan: KeptPlan, move: KeptMove) -> bool:
    """A run that was to be over first is not, or a plug there is on."""
    runs = [run for run in plan.runs if run.pack == move.pack or run.station == move.station]
    places = {move.station, world.packs[move.pack].station}
    return any(run.done is None and run.ends <= move.at for run in runs) or any(
        (plug.on_at is not None or plug.on) and name.partition("-")[0] in places
        for name, plug in world.plugs.items()
    )


@st.composite
def happenings(draw: st.DrawFn) -> list[tuple[int, str, str, object]]:
    return draw(st.lists(st.tuples(
        st.integers(0, 5 * HOUR), st.sampled_from(NAMES),
        st.sampled_from(["place", "level", "tick", "as told", "use", "anew"]),
        st.sampled_from(["A", "B", None]) | st.floats(0, 100),
    ), max_size=12))  # fmt: skip


@given(DRAWN, happenings())
@settings(max_examples=60, deadline=None)
def test_the_list_agrees_with_the_plan_and_the_placement_whatever_happens(
    drawn: Drawn, happened: list[tuple[int, str, str, object]]
) -> None:
    world = kept(drawn.made())
    assert differences(world) == (), "a plan fits the world that it was made from"
    check_list(world)
    for after, pack, what, value in happened:
        at = world.now + after
        world = tick_through(world, at)
        events: Sequence[Event] = [Tick(at)]
        if what == "place":
            events = [Placed(at, pack, value if isinstance(value, str) else None)]
        elif what == "level" and isinstance(value, float):
            events = [at_level(value, pack, at)]
        elif what == "use":
            events = [replace(use(10, pack), heard=at)]
        elif what == "as told":
            moves = [one for key, one in world.chores.items() if key.startswith("plan ")]
            events = done(world, at, moves[0].key, moves[0].text) if moves else events
        elif what == "anew" and world.kept is not None:
            world, _ = on(world, Tick(at))
            if world.kept is None:
                continue
            plan = planned_simply(world, world.kept.until, Hours(), "the service",
                                  differences(world))  # fmt: skip
            world, _ = step(world, PlanKept(at, plan))
            assert differences(world) == (), "a plan made anew fits: it is not made anew again"
        for event in events:
            before = world
            world, decided = on(world, event)
            check_list(world)
            assert learn(before, event, decided).kept == world.kept, "learned is what was so"
        assert max(map(len, kept_lines(kept_shape(world)))) <= 80


def tick_through(world: World, until: Moment) -> World:
    """Time goes on as the service has it go: it is told whenever something is due."""
    for _ in range(200):
        due = next_due(world)
        if due >= until:
            break
        world, _ = step(world, Tick(max(due, world.now)))
        check_list(world)
    return world


@given(DRAWN, happenings())
@settings(max_examples=40, deadline=None)
def test_a_plan_decides_nothing_but_what_people_are_told(
    drawn: Drawn, happened: list[tuple[int, str, str, object]]
) -> None:
    """The same events, with a plan and without: the same rules fire, the same jobs go on, the same
    plugs are switched."""
    without, planned = drawn.made(), kept(drawn.made())
    for after, pack, what, value in happened:
        at = without.now + after
        events: list[Event] = [Tick(moment) for moment in range(without.now, at, 15 * MINUTE)]
        if what == "place":
            events.append(Placed(at, pack, value if isinstance(value, str) else None))
        elif what == "level" and isinstance(value, float):
            events.append(live(value, pack, at))
        for event in events:
            without, one = on(without, event)
            planned, other = on(planned, event)
            assert [each for each in one if not isinstance(each, TOLD)] == [
                each for each in other if not isinstance(each, TOLD)
            ]
    assert {name: state.jobs for name, state in without.packs.items()} == {
        name: state.jobs for name, state in planned.packs.items()
    }
    assert without.plugs == planned.plugs


TOLD = (ChoreOpened, ChoreClosed, Notice)


def live(percent: float, pack: str, at: Moment) -> Sample:
    """With its cells, so that a load may be switched on for it."""
    return replace(at_level(percent, pack, at), cells=(3.7 + percent / 200,) * 6)


def test_a_load_goes_on_with_a_plan_as_without() -> None:
    world = two_full()
    for one in (world, kept(world)):
        after, decided = on(one, live(99.0, "heron", one.now + SECOND))
        assert [each.plug for each in decided if isinstance(each, SwitchOn)] == ["A-load"]
        assert after.plugs["A-load"].on_at is not None


@given(DRAWN, st.integers(0, 12))
@settings(max_examples=30, deadline=None)
def test_people_are_told_only_while_somebody_is_awake(drawn: Drawn, hours_on: int) -> None:
    world = drawn.made()
    world = tick_through(world, world.now + hours_on * HOUR)
    world, _ = on(world, Tick(world.now + hours_on * HOUR))
    plan = planned_simply(world, world.now + DAY, Hours(), "a person")
    for moment in (*(one.tell for one in plan.moves), *(one.tell for one in plan.left_out)):
        minute = LOCAL.read(moment).hour * 60 + LOCAL.read(moment).minute
        assert 7 * 60 <= minute < 22 * 60
    assert_bounds(plan)


def assert_bounds(plan: KeptPlan) -> None:
    for move in plan.moves:
        assert plan.made <= move.tell <= move.at < plan.ends
        served = [run for run in plan.runs if (run.pack, run.station) == (move.pack, move.station)]
        assert any(run.begins >= move.at for run in served), "each move is for a run"

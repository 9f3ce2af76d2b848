"""The kept plan beside a service: when one is made, how often anew, and the story of a night."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import datetime
from itertools import pairwise
from threading import Event as Flag
from threading import Thread

import pytest

from carerules.adapters import ChoreAnswer, Entry, Lane, Place, PlanDrop, PlanKeep, Stop
from carerules.adapters.inbox import Read
from carerules.cli.keeper import played_keeper
from carerules.cli.virtual import virtual_world
from carerules.config import Planning, SiteFile, read_site_text
from carerules.domain.action import DayWindow
from carerules.domain.decision import Outcome
from carerules.domain.event import Event, PlanKept, Rejected, Started, Tick
from carerules.domain.keptplan import Hours, KeptPlan
from carerules.domain.moment import DAY, HOUR, MINUTE, SECOND, Moment
from carerules.domain.signal import catalogue
from carerules.lang import load
from carerules.loop import (
    World,
    coming,
    differences,
    make_setup,
    new_world,
    next_due,
    step,
    stranger,
)
from carerules.planner import planned_simply, problem_of
from carerules.service import Service, dump_world, load_world, restore, worth_keeping
from carerules.service.desk import entry_events
from carerules.service.planning import (
    ANEW_EVERY,
    ANEW_SELDOM,
    LOOK_EVERY,
    SETTLE,
    Order,
    PlanKeeper,
    Watch,
    made,
)
from carerules.sim import VirtualOutside, VirtualSite

SITE = """\
name = "boat shed"
zone = "Europe/Lisbon"
rules = []
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
place = "A"
[pack.egret]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
[plug.A-load]
profile = "generic-json"
topic = "shed/a-load"
[station.A]
load = { plug = "A-load", power = "60 W" }
[planning]
awake = "07:00-23:00"
[virtual]
start = 2026-11-30T18:00:00
seed = 3
[virtual.pack.heron]
soc = "100 %"
[virtual.pack.egret]
soc = "100 %"
"""
RULES = "rule full\n    when pack.soc >= 95 for 10 min: drain to 80 %\n"


@dataclass
class Shed:
    """A virtual site and its service, in its own time; all that was kept."""

    daily: str = ""
    rules: str = RULES
    site: SiteFile = field(init=False)
    truth: VirtualSite = field(init=False)
    service: Service = field(init=False)
    plans: list[KeptPlan] = field(default_factory=list)
    told: list[tuple[Event, list[Outcome]]] = field(default_factory=list)

    def __post_init__(self) -> None:
        text = SITE.replace('awake = "07:00-23:00"', f'awake = "07:00-23:00"\n{self.daily}')
        site = read_site_text(text, "site.toml")
        assert isinstance(site, SiteFile), site
        loaded = load({"kit.care": self.rules}, catalogue=catalogue())
        assert loaded.plan is not None, loaded.diagnostics
        setup = make_setup(site.site, site.chemistries, catalogue(), loaded.plan)
        self.site, self.truth = site, virtual_world(site)
        outside = VirtualOutside(self.truth)
        self.service = Service(new_world(setup, outside.now()), outside, None, self._tell)
        played_keeper(self.service, site.planning, outside.inject)
        self.service.take([Started(outside.now(), 0)])

    def _tell(self, event: Event, outcomes: Sequence[Outcome], _world: World) -> None:
        self.told.append((event, [one for one in outcomes if worth_keeping(one)]))
        if isinstance(event, PlanKept):
            self.plans.append(event.plan)

    # As a journal has it (`service.memory.WorldStore`), without a snapshot that still reads.

    def events(self, after_seq: int = 0) -> Iterator[tuple[int, Event]]:
        for number, (event, _) in enumerate(self.told, 1):
            if number > after_seq:
                yield number, event

    def outcomes(self, after_seq: int = 0) -> Iterator[tuple[int, Outcome]]:
        for number, (_, outcomes) in enumerate(self.told, 1):
            for one in outcomes if number > after_seq else ():
                yield number, one

    def snapshots(self) -> Sequence[tuple[int, str]]:
        return []

    @property
    def world(self) -> World:
        return self.service.world

    def at(self, clock: str, days: int = 0) -> Moment:
        hour, minute = map(int, clock.split(":"))
        return self.world.local.moment(datetime(2026, 11, 30, hour, minute)) + days * DAY

    def go(self, until: Moment, when: Callable[[], bool] = lambda: False) -> None:
        """Time goes on until then, or until something is so."""
        outside = self.service.outside
        while outside.now() < until and not when():
            due = min(next_due(self.world), self.world.now + MINUTE, until)
            self.service.take(outside.wait(max(due, self.world.now)))

    def enter(self, entry: Entry) -> None:
        for event in entry_events(entry, self.world.now, self.world):
            self.service.take([event])
            self.truth.tell(event)

    def keep(self) -> None:
        until = self.at("12:00", 1)
        plan = planned_simply(self.world, until, Hours(), "a person")
        self.enter(PlanKeep(plan))

    def listed(self) -> list[str]:
        chores = self.world.chores.values()
        return [one.text for one in chores if one.key.startswith("plan ")]

    def charge(self, pack: str) -> float:
        return self.truth.bench.packs[pack].soc


# ---- a night -----------------------------------------------------------------------------------


def test_a_night_as_planned() -> None:
    """The service makes a plan in the evening; at eight egret takes heron's place, and both are at
    80 % before anybody goes to bed."""
    shed = Shed(daily='daily = "18:30"')
    shed.go(shed.at("18:29"))
    assert shed.world.kept is None
    shed.go(shed.at("18:32"))
    assert [plan.by for plan in shed.plans] == ["the service"]
    (move,) = coming(shed.world)
    assert (move.pack, move.station, move.off) == ("egret", "A", "heron")
    assert shed.listed() == []

    shed.go(shed.at("23:00"), lambda: bool(shed.listed()))
    assert shed.world.now >= move.tell
    assert shed.charge("heron") == pytest.approx(80, abs=4)
    (key,) = [one.key for one in shed.world.chores.values() if one.key.startswith("plan ")]
    shed.enter(ChoreAnswer(key, shed.listed()[0]))
    assert shed.listed() == []
    assert shed.truth.bench.pack_at("A") == "egret"
    shed.go(shed.at("23:59"))
    assert shed.charge("egret") == pytest.approx(80, abs=4)
    assert differences(shed.world) == ()
    assert len(shed.plans) == 1, "nothing differed, and nothing was made anew"
    assert shed.world.kept is not None
    assert all(run.done for run in shed.world.kept.runs)


def test_a_pack_hung_elsewhere_than_planned() -> None:
    """In the middle of heron's drain somebody hangs egret there: the plan is made anew, once."""
    shed = Shed(daily='daily = "18:30"')
    shed.go(shed.at("19:00"))
    shed.enter(Place("egret", "A"))
    assert "heron was to stay on A, and is on no station" in differences(shed.world)
    shed.go(shed.world.now + SETTLE + 2 * LOOK_EVERY + MINUTE)
    assert len(shed.plans) == 2
    assert "heron was to stay on A, and is on no station" in shed.plans[1].because
    assert differences(shed.world) == ()
    (move,) = coming(shed.world)
    assert (move.pack, move.station) == ("heron", "A")
    shed.go(shed.at("23:00"), lambda: bool(shed.listed()))
    assert "put heron on A, in place of egret" in shed.listed()[0]
    shed.enter(Place("heron", "A"))
    assert shed.listed() == []
    shed.go(shed.at("23:59"))
    for pack in ("heron", "egret"):
        assert shed.charge(pack) == pytest.approx(80, abs=4)
    assert len(shed.plans) == 2


def test_a_night_in_which_nobody_comes_makes_few_plans() -> None:
    shed = Shed()
    shed.go(shed.at("18:15"))
    shed.keep()
    shed.go(shed.at("12:01", 1))
    assert shed.world.kept is None, "its time is over"
    made = [plan.made for plan in shed.plans]
    assert 2 <= len(made) <= 12
    assert all(b - a >= ANEW_EVERY for a, b in pairwise(made[1:]))
    told = [plan.moves[0].tell for plan in shed.plans if plan.moves]
    for moment in told:
        assert 7 <= shed.world.local.read(moment).hour < 23


def test_without_a_daily_time_and_without_a_kept_plan_nothing_is_planned() -> None:
    shed = Shed()
    shed.go(shed.at("07:00", 1))
    assert shed.plans == []
    assert not any("plan" in key for key in shed.world.chores)


def test_a_plan_that_is_dropped_is_not_made_again_before_the_next_day() -> None:
    shed = Shed(daily='daily = "18:30"')
    shed.go(shed.at("18:35"))
    shed.enter(PlanDrop())
    shed.go(shed.at("23:00"))
    assert shed.world.kept is None
    assert len(shed.plans) == 1
    shed.go(shed.at("18:32", 1))
    assert len(shed.plans) == 2


def test_nothing_is_planned_while_everything_is_stopped() -> None:
    shed = Shed(daily='daily = "18:30"')
    shed.go(shed.at("18:20"))
    shed.enter(Stop("a person"))
    shed.go(shed.at("20:00"))
    assert shed.plans == []


# ---- what survives -----------------------------------------------------------------------------


def at_the_swap() -> Shed:
    """heron is drained, and egret is to take its place."""
    shed = Shed(daily='daily = "18:30"')
    shed.go(shed.at("23:00"), lambda: bool(shed.listed()))
    assert shed.listed()
    return shed


def test_a_kept_plan_survives_in_a_snapshot() -> None:
    world = at_the_swap().world
    again = load_world(dump_world(world), world.setup)
    assert again is not None
    assert again.kept == world.kept
    assert again.chores == world.chores


def test_a_kept_plan_is_learned_from_facts_with_what_has_come_of_it() -> None:
    """An update may have made every snapshot unreadable: the journal alone knows as much."""
    shed = at_the_swap()
    known = restore(shed, shed.world.setup, shed.world.now)
    assert known.kept == shed.world.kept
    assert known.kept is not None
    assert known.kept.runs[0].done is not None
    plan = {key: one for key, one in shed.world.chores.items() if key.startswith("plan ")}
    assert plan
    assert {key: one for key, one in known.chores.items() if key.startswith("plan ")} == plan
    shed.enter(Place("egret", "A"))
    known = restore(shed, shed.world.setup, shed.world.now)
    assert known.kept == shed.world.kept
    assert not any(key.startswith("plan ") for key in known.chores)


def test_a_plan_of_a_pack_that_the_site_has_no_more_is_not_taken_over() -> None:
    world = at_the_swap().world
    site = world.setup.site
    packs = {name: pack for name, pack in site.packs.items() if name != "egret"}
    other = make_setup(replace(site, packs=packs), world.setup.chemistries, catalogue(),
                       world.setup.plan)  # fmt: skip
    again = load_world(dump_world(world), other)
    assert again is not None
    assert again.kept is not None
    assert (again.kept.packs(), again.kept.stations()) == (frozenset(), frozenset())
    again, _ = step(again, Tick(again.now))
    assert again.kept is None
    assert not any(key.startswith("plan ") for key in again.chores)
    kept = PlanKept(world.now, world.kept) if world.kept else None
    assert kept is not None
    assert stranger(other, kept) == "pack egret"


# ---- how often ---------------------------------------------------------------------------------


def kept_world() -> World:
    shed = Shed()
    shed.go(shed.at("18:15"))
    shed.keep()
    return shed.world


def orders(watch: Watch, world: World, length: int, every: int = LOOK_EVERY) -> list[Moment]:
    """When a plan is ordered of a world that goes on differing, however often one is made."""
    found = []
    for now in range(world.now, world.now + length, every):
        if watch.look(replace(world, now=now)) is not None:
            found.append(now)
    return found


def differing() -> World:
    world = kept_world()
    assert world.kept is not None
    return replace(world, kept=replace(world.kept, locked=("A",)))


def test_what_differs_for_a_moment_only_is_let_be() -> None:
    world, watch = kept_world(), Watch(Planning())
    other = differing()
    assert watch.look(other) is None
    assert watch.look(replace(world, now=other.now + LOOK_EVERY)) is None
    later = replace(other, now=other.now + 2 * LOOK_EVERY)
    assert orders(watch, later, SETTLE) == []
    assert orders(watch, replace(later, now=later.now + SETTLE), LOOK_EVERY) != []


def test_a_plan_that_never_fits_is_made_ever_more_seldom() -> None:
    found = orders(Watch(Planning()), differing(), 10 * HOUR)
    gaps = [b - a for a, b in pairwise(found)]
    assert gaps[0] >= ANEW_EVERY
    assert gaps == sorted(gaps)
    assert max(gaps) <= ANEW_SELDOM + SETTLE + 2 * LOOK_EVERY
    assert len(found) <= 9


def test_a_plan_that_ends_soon_is_let_run_out() -> None:
    world = differing()
    assert world.kept is not None
    near = replace(world, kept=replace(world.kept, until=world.now + 30 * MINUTE))
    assert orders(Watch(Planning()), near, 20 * MINUTE) == []


# ---- beside the loop ---------------------------------------------------------------------------


@dataclass
class Hand:
    """An inbox that is emptied by hand."""

    came: Flag = field(default_factory=Flag)
    heard: list[tuple[Lane, Read]] = field(default_factory=list)

    def put(self, lane: Lane, read: Read) -> None:
        self.heard.append((lane, read))
        self.came.set()


def test_a_plan_is_made_beside_the_loop_and_comes_in_as_a_fact() -> None:
    """The evaluator goes on while it is being made, however long that takes, and asks for no second
    one meanwhile."""
    world, hand, goes_on, began = differing(), Hand(), Flag(), []

    def slow(order: Order, given: World) -> KeptPlan:
        began.append(order)
        assert goes_on.wait(60)
        return planned_simply(given, order.until, order.hours, "the service", order.because)

    keeper = PlanKeeper(Planning(), hand.put, slow)
    for number in range(200):
        keeper.tell(replace(world, now=world.now + number * LOOK_EVERY))
    assert hand.heard == []
    goes_on.set()
    assert hand.came.wait(60)
    assert [order.because for order in began] == [("station A is open again",)]
    ((lane, read),) = hand.heard
    (event,) = read(world.now + HOUR)
    assert isinstance(event, PlanKept)
    assert lane is Lane.KEPT
    after, _ = step(replace(world, now=event.heard), event)
    assert differences(after) == ()


def test_a_plan_that_cannot_be_made_is_told_and_nothing_else_happens() -> None:
    world, hand = differing(), Hand()

    def broken(_order: Order, _world: World) -> KeptPlan:
        raise ZeroDivisionError("no way")

    keeper = PlanKeeper(Planning(), hand.put, broken)
    for number in range(6):
        keeper.tell(replace(world, now=world.now + number * LOOK_EVERY))
    assert hand.came.wait(60)
    ((lane, read),) = hand.heard
    (event,) = read(world.now)
    assert isinstance(event, Rejected)
    assert (lane, event.origin) == (Lane.REFUSED, "the plan")
    assert "no plan could be made" in event.why


def test_a_plan_of_an_older_state_does_not_take_the_place_of_a_newer_one() -> None:
    world = kept_world()
    assert world.kept is not None
    newer = replace(world.kept, made=world.now + MINUTE, by="a person")
    world, _ = step(world, PlanKept(world.now + 2 * MINUTE, newer))
    older = replace(world.kept or newer, made=world.now - HOUR, by="the service")
    world, _ = step(world, PlanKept(world.now + SECOND, older))
    assert world.kept is not None
    assert world.kept.by == "a person"


def test_a_system_without_another_thread_costs_the_plan_and_not_the_service(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A unit of systemd counts them, and each plug-in takes some."""
    world, hand = differing(), Hand()

    def no_more(_thread: Thread) -> None:
        raise RuntimeError("can't start new thread")

    keeper = PlanKeeper(Planning(), hand.put)
    with monkeypatch.context() as patch:
        patch.setattr(Thread, "start", no_more)
        for number in range(6):
            keeper.tell(replace(world, now=world.now + number * LOOK_EVERY))
    ((_, read),) = hand.heard
    (event,) = read(world.now)
    assert isinstance(event, Rejected)
    assert event.why == "no plan could be made: `can't start new thread`"
    hand.came.clear()
    keeper.tell(replace(world, now=world.now + HOUR))
    keeper.tell(replace(world, now=world.now + HOUR + 2 * MINUTE))
    assert hand.came.wait(60), "the next one is made"
    (event,) = hand.heard[-1][1](world.now + 2 * HOUR)
    assert isinstance(event, PlanKept)


# ---- what a plan goes by -------------------------------------------------------------------------

HOURS = Hours(DayWindow(60, 1_200), 2_300.0, 0.3, ((DayWindow(0, 360), 0.12),))
TABLE = """\
[planning]
awake = "01:00-20:00"
circuit = "2300 W"
price = 0.3
prices = ["00:00-06:00 0.12"]
daily = "18:00"
"""


def test_every_limit_goes_from_the_site_file_into_each_plan_and_into_those_made_anew() -> None:
    """A limit more has its figure here, too: each is other than where nobody says one."""
    assert [one.name for one in fields(HOURS) if getattr(HOURS, one.name) == one.default] == []
    text = SITE.replace('[planning]\nawake = "07:00-23:00"\n', TABLE)
    read = read_site_text(text, "site.toml")
    assert isinstance(read, SiteFile)
    assert read.planning.hours == HOURS
    shed = Shed()
    shed.go(shed.at("18:15"))
    order = Watch(read.planning).look(shed.world)
    assert order is not None
    assert order.hours == HOURS
    assert made(order, shed.world).hours == HOURS
    problem = problem_of(shed.world, order.until, order.hours).problem
    assert [one.name for one in fields(problem) if getattr(problem, one.name) == one.default] == []

"""The problem of the time ahead, out of the world: what is wanted, how long it takes where.

Knows worlds and forecasts. Does not solve anything.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import pairwise
from math import ceil

from carerules.battery import (
    CannotCarry,
    ConstantPower,
    Figures,
    charge_ahead,
    charger_of,
    drain_ahead,
    stored_cost,
)
from carerules.domain.action import Charge, Drain
from carerules.domain.frozen import guarded
from carerules.domain.keptplan import Hours
from carerules.domain.moment import HOUR, MONTH, SECOND, Duration, Moment
from carerules.domain.pack import Side, Station
from carerules.domain.quantity import Known, Unknown
from carerules.loop import World, figures_of, full_v, uses_within
from carerules.planner.hours import next_step, price_at, whole_through
from carerules.planner.problem import (
    STEP,
    STEPS_MAX,
    PackTask,
    Problem,
    Stretch,
    Way,
    Weights,
    Wish,
    units,
)
from carerules.planner.staged import is_too_deep, limits_of, read_between, stages_of
from carerules.planner.wants import Want, wants_of

SOONER = 1
"""What a step sooner is worth at least, in units: next to nothing, and enough to choose by."""


@guarded
class Asked:
    """The problem, and what did not go into it, in sentences."""

    problem: Problem
    remarks: tuple[str, ...]


@dataclass(slots=True)
class _Ground:
    world: World
    hours: Hours
    begin: Moment
    steps: int
    weights: Weights = field(default_factory=Weights)
    remarks: list[str] = field(default_factory=list)

    def step_up(self, moment: Moment) -> int:
        """The first step that begins at the moment or later."""
        return max(0, ceil((moment - self.begin) / STEP))

    def step_down(self, moment: Moment) -> int:
        """The last step that has ended by the moment."""
        return min(self.steps, (moment - self.begin) // STEP)


def problem_of(world: World, until: Moment, hours: Hours) -> Asked:
    """What is to be planned from now until then (at most a week): wishes out of rules and uses,
    ways out of stations and forecasts, prices out of published cells, the hours and weights."""
    begin = next_step(world.local, world.now)
    end = max([until, *(start for _, start, _ in uses_within(world, until))])
    steps = min(STEPS_MAX, max(1, (end - begin) // STEP))
    ground = _Ground(world, hours, begin, steps)
    packs = [task for name in world.setup.site.packs if (task := _task(ground, name)) is not None]
    moments = [begin + step * STEP for step in range(steps)]
    problem = Problem(
        begin, steps,
        awake=tuple(_awake(ground, moment) for moment in moments),
        price=tuple(_price(ground, moment) for moment in moments),
        stations=tuple(world.setup.site.stations),
        packs=tuple(packs),
        circuit_w=None if hours.circuit_w is None else int(hours.circuit_w),
        weights=ground.weights,
    )  # fmt: skip
    locked = [name for name, state in world.stations.items() if state.locked]
    for name in locked:
        ground.remarks.append(f"station {name} is locked: nothing is planned there")
    return Asked(problem, tuple(ground.remarks))


def _awake(ground: _Ground, moment: Moment) -> bool:
    """Whether somebody is there from the beginning of the step to its end."""
    if moment + STEP <= ground.world.attended_until:
        return True
    return whole_through(ground.hours.awake, ground.world.local, moment, moment + STEP)


def _price(ground: _Ground, moment: Moment) -> int:
    money = price_at(ground.hours, ground.world.local, moment)
    return round(units(money * ground.weights.money) * (STEP / HOUR) / 1_000)


def _task(ground: _Ground, name: str) -> PackTask | None:
    """The pack with its wishes; None, with a remark: nothing can be planned for it."""
    world = ground.world
    state = world.packs[name]
    soc = state.soc
    barred = state.retired or state.barred
    if barred or isinstance(soc, Unknown):
        why = barred or f"its charge is unknown: {soc.why if isinstance(soc, Unknown) else ''}"
        ground.remarks.append(f"{name} is left out of the plan: {why}")
        # It can still hang where it does, and be taken off there.
        return PackTask(name, state.station, 0, ()) if state.station is not None else None

    until = ground.begin + ground.steps * STEP
    wants = wants_of(world, name, until, lambda line, level: _quickest(ground, name, line, level))
    level = soc.value_at(world.now)
    lies = _rate(ground, name, level)
    wishes: list[Wish] = []
    before, before_lies, without = level, lies, level
    for number, want in enumerate(wants):
        sides = [one.side for one in wants[max(0, number - 1) : number + 1]]
        same_way = number > 0 and sides[0] is sides[1]
        if limit := limits_of(world, name, want, before):
            ground.remarks.append(limit)
        # Where the one before is left out, the pack may be there already: then it follows.
        there = bool(wishes) and _is_there(want, without)
        stages, start = stages_of(world, name, want, before, own=before == level), before
        if any(stage.read for stage in stages):
            ground.remarks.append(read_between(name, want))
        for stage in stages:
            after = _rate(ground, name, stage.line.target)
            wish = _wish(ground, name, stage, before, before_lies - after, same_way=same_way)
            if wish is None:
                break
            weight = wish.weight // len(stages)
            wishes.append(replace(wish, follows=wish.follows or there, weight=weight))
            without, before, before_lies, same_way = start, stage.line.target, after, True
    return PackTask(name, state.station, lies, tuple(wishes))


def _is_there(want: Want, level: float) -> bool:
    """Whether nothing is to be done for it at that charge (%)."""
    return (level - want.line.target) * (1 if want.side is Side.LOAD else -1) <= 0


def _wish(
    ground: _Ground, name: str, want: Want, level: float, saves: int, *, same_way: bool
) -> Wish | None:
    """The want on the grid; None: there is nothing to do, or its time is after the plan."""
    world, side, line = ground.world, want.side, want.line
    if _is_there(want, level):
        return None
    if side is Side.LOAD and world.setup.site.packs[name].device_w is not None:
        ground.remarks.append(f"{name} drains in its own device: {want.why} needs no station")
        return None
    ready = ground.step_up(want.ready)
    due = ground.steps if want.due is None else ground.step_down(want.due)
    rested = world.setup.site.packs[name].limits.rest_before_charge if side is Side.CHARGER else 0
    gap = ceil(max(want.gap, rested if not same_way else 0) / STEP)
    ways = tuple(_ways(ground, name, want, level, ready, due))
    least = min((way.steps for way in ways), default=1)
    if want.due is None and ready + least > due:
        ground.remarks.append(
            f"{name} {_line(line)} is wanted from {world.local.show(want.ready)}: after this plan"
        )
        return None
    if want.due is None:
        # What is wanted at no certain time is begun as soon as it can be (engine/energy), so that
        # a later charge is not cheaper here, either.
        saves = max(saves, SOONER)
    weights = ground.weights
    return Wish(
        side, line.target, ready, max(0, due), saves,
        units(weights.left_out_of_use if want.use else weights.left_out),
        ways, want.why, want.use, gap, want.follows or same_way, want.read, want.whole,
    )  # fmt: skip


def _line(line: Drain | Charge) -> str:
    return f"{'drain' if isinstance(line, Drain) else 'charge'} to {line.target:g} %"


# ---- ways ------------------------------------------------------------------------------------


def _ways(
    ground: _Ground, name: str, want: Want, level: float, ready: int, due: int
) -> Iterator[Way]:
    side, running_at = want.side, _running_at(ground.world, want)
    for station in ground.world.setup.site.stations.values():
        socket = station.socket(side)
        if socket is None or ground.world.stations[station.name].locked:
            continue
        if isinstance(want.line, Drain) and (
            socket.power_w > (want.line.power_w or float("inf"))
            or is_too_deep(ground.world, name, station, want.target)
        ):
            continue
        time = _time(ground, name, station, want.line, level)
        if time is None:
            continue
        if running_at not in (None, station.name):
            continue  # a pack whose plug is on is not moved
        steps = max(1, ceil(time / STEP))
        last = due - steps
        if running_at is not None and last >= 0:
            begins: Iterable[Stretch] = ((0, 1),)
        else:
            begins = _begins(ground, want, station, steps, ready, last)
        wall_w = ceil(socket.power_w) if side is Side.CHARGER else 0
        yield Way(station.name, steps, wall_w, tuple(begins))


def _running_at(world: World, want: Want) -> str | None:
    """The station at which the want's job has the plug on now; None: at none."""
    job = want.job
    place = None if job is None else world.packs[job.pack].station
    socket = None if place is None else world.setup.site.stations[place].socket(want.side)
    if job is None or socket is None:
        return None
    plug = world.plugs[socket.plug]
    return place if plug.on_at is not None and plug.job == job.id else None


def _begins(
    ground: _Ground, want: Want, station: Station, steps: int, ready: int, last: int
) -> Iterator[Stretch]:
    """The stretches of steps in which a run may begin."""
    window, alone = want.line.window, _may_be_alone(ground, station, want.side)
    local = ground.world.local

    def fits(step: int) -> bool:
        begin, end = ground.begin + step * STEP, ground.begin + (step + steps) * STEP
        if want.read and not _awake(ground, begin):
            return False
        in_window = window is None or whole_through(window, local, begin, end)
        return in_window and (alone or all(_awake(ground, at) for at in range(begin, end, STEP)))

    fitting = [step for step in range(ready, last + 1) if fits(step)]
    if not fitting:
        return
    cuts = [0, *(at for at, (a, b) in enumerate(pairwise(fitting), 1) if b != a + 1), len(fitting)]
    for first, end in pairwise(cuts):
        yield fitting[first], fitting[end - 1] + 1


def _may_be_alone(ground: _Ground, station: Station, side: Side) -> bool:
    """Whether its plug is one that may be on while nobody is there."""
    socket = station.socket(side)
    assert socket is not None
    plug = ground.world.setup.site.plugs[socket.plug]
    proof = ground.world.plugs[socket.plug].proof
    return plug.lease_s is not None and (not plug.needs_proof or proof is not None)


# ---- how long, and what it costs ---------------------------------------------------------------


def _quickest(ground: _Ground, name: str, line: Drain | Charge, level: float) -> Duration:
    side = Side.LOAD if isinstance(line, Drain) else Side.CHARGER
    times = [
        time
        for station in ground.world.setup.site.stations.values()
        if station.socket(side) is not None
        and (time := _time(ground, name, station, line, level)) is not None
    ]
    return min(times, default=STEP)


def _time(
    ground: _Ground, name: str, station: Station, line: Drain | Charge, level: float
) -> Duration | None:
    """How long the line takes there, at the slow end of its band; None: it cannot be done there."""
    world = ground.world
    own = world.packs[name].soc
    from_now = isinstance(own, Known) and abs(own.value_at(world.now) - level) < 0.05
    # From its charge now the doubt of that charge counts; a level that a rule brought it to is met.
    figures = figures_of(world, name, None if from_now else level)
    if figures is None:
        return None
    if isinstance(line, Drain):
        assert station.load is not None
        return _drain_time(figures, station.load.power_w, line.target)
    assert station.charger is not None
    efficiency = round(world.stations[station.name].habit.efficiency, 2)
    pack = world.setup.site.packs[name]
    if line.rate_c is not None:
        charger = charger_of(figures, station.charger.power_w, full_v(world, name), efficiency)
        if charger.a > line.rate_c * pack.capacity_ah:
            return None
    return _charge_time(
        figures, station.charger.power_w, efficiency, full_v(world, name), line.target
    )


@lru_cache(maxsize=1_024)
def _drain_time(figures: Figures, power_w: float, target: float) -> Duration | None:
    try:
        _, ahead = drain_ahead(figures, ConstantPower(power_w), target / 100)
    except CannotCarry:
        return None
    return round(ahead.time_high_s * SECOND)


@lru_cache(maxsize=1_024)
def _charge_time(
    figures: Figures, power_w: float, efficiency: float, end_v: float, target: float
) -> Duration | None:
    try:
        charger = charger_of(figures, power_w, end_v, efficiency)
        _, ahead = charge_ahead(figures, charger, target / 100)
    except CannotCarry:
        return None
    return round(ahead.time_high_s * SECOND)


def _rate(ground: _Ground, name: str, level: float) -> int:
    """What a step of lying at the charge (%) costs, in units: the middle of the published cells at
    the pack's temperature; nothing where nothing is published."""
    world = ground.world
    pack, readings = world.setup.site.packs[name], world.packs[name].estimate.readings
    temp = readings.get("pack.temperature")
    warm = round(temp.value) if isinstance(temp, Known) else None
    cost = stored_cost(world.setup.chemistries[pack.chemistry], round(2 * level) / 2, warm)
    return 0 if cost is None else units(cost.mid * STEP / MONTH)

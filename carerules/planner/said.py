"""A schedule as a shape: times of the wall, percent and words in place of steps and units.

Knows the problem and the schedule. Does not know how the schedule was made, nor where it is shown.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from itertools import groupby
from typing import TypeAlias

from carerules.domain.keptplan import Hours
from carerules.domain.moment import HOUR
from carerules.loop import World
from carerules.planner.arrange import way_of
from carerules.planner.gather import Asked
from carerules.planner.hours import price_at
from carerules.planner.problem import STEP, UNIT, Problem, Run, Schedule, Stretch, Wish
from carerules.planner.shapes import (
    CostShape,
    LeftOutShape,
    MoveShape,
    PlanShape,
    ReadingShape,
    RunShape,
    SpellShape,
)
from carerules.planner.solve import fits_alone

At: TypeAlias = Callable[[int], datetime]
"""The wall at the beginning of a step."""


def plan_shape(world: World, hours: Hours, asked: Asked, schedule: Schedule) -> PlanShape:
    """The schedule in times of the wall."""
    problem = asked.problem

    def at(step: int) -> datetime:
        return world.local.read(problem.moment(step))

    return PlanShape(
        site=world.setup.site.name, now=world.local.read(world.now), begins=at(0),
        ends=at(problem.steps), made_by=schedule.made_by,
        gap_percent=None if schedule.gap is None else round(100 * schedule.gap, 3),
        stations=list(problem.stations),
        asleep=[SpellShape(begins=at(first), ends=at(end)) for first, end in asleep_of(problem)],
        runs=[_run(problem, run, at) for run in schedule.runs],
        moves=[MoveShape(at=at(one.at), pack=one.pack, station=one.station, off=one.off)
               for one in schedule.moves],
        readings=[ReadingShape(at=at(run.begin), pack=run.pack) for run in schedule.runs
                  if problem.wish(run.pack, run.wish).read],
        left_out=[_left_out(problem, schedule, *key, at) for key in schedule.left_out
                  if not is_said(problem, schedule, *key)],
        cost=_cost(world, hours, problem, schedule), remarks=list(asked.remarks),
    )  # fmt: skip


def _run(problem: Problem, run: Run, at: At) -> RunShape:
    wish = problem.wish(run.pack, run.wish)
    return RunShape(
        pack=run.pack, station=run.station, side=wish.side.value, target_percent=wish.percent,
        begins=at(run.begin), ends=at(run.end), due=_due(problem, wish, at),
        rule=wish.why or None, use=wish.use or None, read=wish.read,
    )  # fmt: skip


def _due(problem: Problem, wish: Wish, at: At) -> datetime | None:
    due = due_of(problem, wish)
    return None if due is None else at(due)


def due_of(problem: Problem, wish: Wish) -> int | None:
    """The step by which it must be reached; None: whenever."""
    return wish.due if wish.due < problem.steps or wish.use else None


def _left_out(problem: Problem, schedule: Schedule, pack: str, number: int, at: At) -> LeftOutShape:
    wish = problem.wish(pack, number)
    why = why_not(problem, pack, number)
    if follows_left_out(problem, schedule, pack, number):
        why = "it comes after one that is left out"
    return LeftOutShape(
        pack=pack, side=wish.side.value, target_percent=aim_of(wish),
        due=_due(problem, wish, at), rule=wish.why or None, use=wish.use or None,
        why=why,
    )  # fmt: skip


def follows_left_out(problem: Problem, schedule: Schedule, pack: str, number: int) -> bool:
    """Whether a wish is left out only because the one before it is."""
    wish = problem.wish(pack, number)
    return wish.follows and (pack, number - 1) in schedule.left_out


def aim_of(wish: Wish) -> float:
    """The charge (%) that is wanted in the end, though it be only a stage on the way there."""
    return wish.percent if wish.whole is None else wish.whole


def is_said(problem: Problem, schedule: Schedule, pack: str, number: int) -> bool:
    """Whether a stage is left out of whose drain an earlier one is left out already."""
    wish = problem.wish(pack, number)
    if wish.whole is None or (pack, number - 1) not in schedule.left_out:
        return False
    before = problem.wish(pack, number - 1)
    return (before.why, before.whole) == (wish.why, wish.whole)


def why_not(problem: Problem, pack: str, number: int) -> str:
    """Why a wish is left out, in words."""
    wish = problem.wish(pack, number)
    if not wish.ways:
        return f"no station has a {wish.side.value} that can do it"
    hours = min(way.steps for way in wish.ways) * STEP / HOUR
    if not any(first < end for way in wish.ways for first, end in way.begins):
        left = max(0, wish.due - wish.ready) * STEP / HOUR
        return f"it takes {hours:g} h, and there are {left:g} h for it, or too few that are allowed"
    if not fits_alone(problem, pack, number):
        return f"it takes {hours:g} h, and nobody is awake in time to move the pack"
    return f"it takes {hours:g} h, and finds no room beside the others"


def asleep_of(problem: Problem) -> Iterator[Stretch]:
    """The spells in which nobody is awake."""
    step = 0
    for awake, spell in groupby(problem.awake):
        length = len(list(spell))
        if not awake:
            yield step, step + length
        step += length


def _cost(world: World, hours: Hours, problem: Problem, schedule: Schedule) -> CostShape:
    energy_wh = money = 0.0
    for run in schedule.runs:
        wall_w = way_of(problem.wish(run.pack, run.wish), run).wall_w
        for step in range(run.begin, run.end):
            wh = wall_w * STEP / HOUR
            energy_wh += wh
            money += wh / 1_000 * price_at(hours, world.local, problem.moment(step))
    cost = schedule.cost

    def percent(found: int) -> float:
        return round(found * UNIT, 6)

    return CostShape(
        ageing_percent=percent(cost.ageing), moves_percent=percent(cost.moves),
        energy_percent=percent(cost.energy), left_out_percent=percent(cost.left_out),
        total_percent=percent(cost.total), energy_wh=round(energy_wh, 1),
        energy_money=round(money, 4),
    )  # fmt: skip

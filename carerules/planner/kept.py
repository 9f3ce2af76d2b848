"""A plan as it is kept: in moments of the line, with all that it was made from; and as a shape.

Knows the problem, the schedule and the world that they come from. Does not know who keeps it, nor
what has become of it: the loop follows it (`loop/keeping`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime

from carerules.domain.keptplan import (
    Hours,
    KeptMove,
    KeptPlan,
    KeptRun,
    KeptWish,
    Supposed,
)
from carerules.domain.moment import HOUR, Moment
from carerules.loop import (
    World,
    differences,
    locked_now,
    planned_soc,
    uses_within,
    wish_words,
)
from carerules.planner.gather import Asked, problem_of
from carerules.planner.hours import inside, minute_at
from carerules.planner.problem import STEP, Move, Problem, Run, Schedule
from carerules.planner.said import aim_of, asleep_of, due_of, follows_left_out, why_not
from carerules.planner.shapes import (
    KeptLeftOutShape,
    KeptMoveShape,
    KeptPlanShape,
    KeptRunShape,
    KeptShape,
    SpellShape,
)
from carerules.planner.solve import solved

LEAD = 2 * HOUR // STEP
"""So many steps ahead of a move people are told of it: sooner it may still change (our choice)."""
SERVICE_SECONDS = 5.0
"""So long a service improves a plan by the simple rule, beside its other work."""


def kept_plan(
    world: World, hours: Hours, until: Moment, asked: Asked, schedule: Schedule, by: str,
    because: tuple[str, ...] = (),
) -> KeptPlan:  # fmt: skip
    """The schedule to be kept by somebody; `because`: what differed from the one before."""
    problem = asked.problem

    def told(step: int) -> Moment:
        """The beginning of a step; of the first one now, if somebody is awake already."""
        awake = inside(hours.awake, minute_at(world.local, world.now))
        there = awake or world.now < world.attended_until
        return world.now if step == 0 and there else problem.moment(step)

    first_awake = told(next((step for step, one in enumerate(problem.awake) if one), 0))
    return KeptPlan(
        made=world.now, by=by,
        made_by=schedule.made_by,
        begins=problem.begin, ends=problem.moment(problem.steps), until=until,
        hours=hours,
        runs=tuple(_runs(world, problem, schedule)),
        moves=tuple(_move(problem, schedule, move, told) for move in schedule.moves),
        left_out=tuple(
            _left_out(problem, pack, number, first_awake)
            for pack, number in schedule.left_out
            if not follows_left_out(problem, schedule, pack, number)
        ),
        supposed=tuple(Supposed(name, planned_soc(world, name)) for name in world.packs),
        jobs=tuple((job.id, job.rule) for state in world.packs.values() for job in state.jobs),
        uses=tuple(uses_within(world, problem.moment(problem.steps))),
        locked=tuple(locked_now(world)),
        asleep=tuple((problem.moment(a), problem.moment(b)) for a, b in asleep_of(problem)),
        remarks=asked.remarks, because=because,
        gap=None if schedule.gap is None else round(100 * schedule.gap, 3),
    )  # fmt: skip


def planned_simply(
    world: World, until: Moment, hours: Hours, by: str, because: tuple[str, ...] = ()
) -> KeptPlan:
    """A plan by the simple rule from the world as it is, to be kept."""
    asked = problem_of(world, until, hours)
    schedule = solved(asked.problem, SERVICE_SECONDS, simple=True)
    return kept_plan(world, hours, until, asked, schedule, by, because)


def _runs(world: World, problem: Problem, schedule: Schedule) -> Iterator[KeptRun]:
    levels = {name: planned_soc(world, name) for name in world.packs}
    for run in schedule.runs:
        wish = problem.wish(run.pack, run.wish)
        level = levels[run.pack]
        due = due_of(problem, wish)
        yield KeptRun(
            run.pack, run.station, wish.side.value,
            wish.percent if level is None else level, wish.percent,
            problem.moment(run.begin), problem.moment(run.end),
            None if due is None else problem.moment(due), wish.why, wish.use,
            read=wish.read,
        )  # fmt: skip
        levels[run.pack] = wish.percent


def _move(
    problem: Problem, schedule: Schedule, move: Move, told: Callable[[int], Moment]
) -> KeptMove:
    """Told at the first step with somebody awake that is near enough, and not before the runs that
    are to be over first."""

    def before(run: Run) -> bool:
        return run.end <= move.at and (run.pack == move.pack or run.station == move.station)

    free = max((run.end for run in schedule.runs if before(run)), default=0)
    steps = range(max(free, move.at - LEAD), move.at + 1)
    tell = next(step for step in steps if problem.awake[step])
    return KeptMove(move.pack, move.station, told(tell), problem.moment(move.at), move.off or "")


def _left_out(problem: Problem, pack: str, number: int, tell: Moment) -> KeptWish:
    wish = problem.wish(pack, number)
    due = due_of(problem, wish)
    return KeptWish(
        pack, wish.side.value, aim_of(wish), why_not(problem, pack, number), tell,
        None if due is None else problem.moment(due), wish.why, wish.use,
    )  # fmt: skip


# ---- as a shape --------------------------------------------------------------------------------


def kept_shape(world: World) -> KeptShape:
    """The kept plan against what is so now."""
    kept, site = world.kept, world.setup.site.name
    now = world.local.read(world.now)
    if kept is None:
        return KeptShape(site=site, now=now, plan=None)

    def at(moment: Moment | None) -> datetime | None:
        return None if moment is None else world.local.read(moment)

    read = world.local.read
    return KeptShape(site=site, now=now, plan=KeptPlanShape(
        made=read(kept.made), by=kept.by, made_by=kept.made_by, because=list(kept.because),
        begins=read(kept.begins), ends=read(kept.ends), gap_percent=kept.gap,
        stations=list(world.setup.site.stations),
        asleep=[SpellShape(begins=read(a), ends=read(b)) for a, b in kept.asleep],
        runs=[KeptRunShape(
            pack=run.pack, station=run.station, side=run.side, target_percent=run.target,
            begins=read(run.begins), ends=read(run.ends), due=at(run.due),
            rule=run.rule or None, use=run.use or None, read=run.read, done=at(run.done),
        ) for run in kept.runs],
        moves=[KeptMoveShape(
            at=read(move.at), pack=move.pack, station=move.station, off=move.off or None,
            told=read(move.tell), done=at(move.done),
        ) for move in kept.moves],
        left_out=[KeptLeftOutShape(
            pack=one.pack, side=one.side, target_percent=one.target, due=at(one.due),
            rule=one.rule or None, use=one.use or None, why=one.why, words=wish_words(world, one),
        ) for one in kept.left_out],
        remarks=list(kept.remarks), differences=list(differences(world)),
    ))  # fmt: skip

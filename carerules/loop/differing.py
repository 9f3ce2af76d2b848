"""Where reality differs from the kept plan, in sentences: what a plan is made anew for.

Knows the plan and the world. Does not know how plans are made, nor when one is made anew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from carerules.domain.keptplan import KeptPlan, KeptRun, KeptWish
from carerules.domain.moment import HOUR, MINUTE, Duration, Moment
from carerules.domain.quantity import Known
from carerules.loop.conduct import BY_HAND
from carerules.loop.keeping import is_about, place_of
from carerules.loop.world import World

LATE: Duration = 30 * MINUTE
"""Two steps of the plan: a hand or a drain that is no later than that is as good as in time."""
OFF_BY = 10.0
"""A charge (%) so far outside what the plan has it at asks for another plan; nearer than that the
doubt of a charge off a voltage may be (`docs/battery.md`)."""
USE_BEYOND: Duration = 12 * HOUR
"""A use so long after the plan's end still counts: what it needs begins before that end."""


def differences(world: World) -> tuple[str, ...]:
    """Where what is so differs from what the kept plan has, in sentences; none: it fits, or there
    is no plan. Of a plan just made from this very world: none."""
    kept = world.kept
    return () if kept is None else tuple(_differences(world, kept))


def _differences(world: World, kept: KeptPlan) -> Iterator[str]:
    now, show = world.now, world.local.show
    yield from _other_site(world, kept)
    for move in kept.moves:
        if move.done is None and now > move.at + LATE:
            yield f"{move.pack} was to be put on {move.station} by {show(move.at)}, and is not"
    for pack, soc in ((one.pack, one.soc) for one in kept.supposed):
        own = [run for run in kept.runs if run.pack == pack]
        left = [run for run in own if run.done is None]
        at = planned_soc(world, pack)
        if (at is None) != (soc is None):
            yield f"{pack} {'can be planned now' if soc is None else 'cannot be planned any more'}"
        elif at is not None and soc is not None:
            yield from _off_charge(now, pack, at, soc, own, left, show)
        for run in left:
            yield from _off_place(world, kept, run)
    yield from _other_jobs(world, kept)
    rules = {rule.name for rule in world.setup.plan.rules} | {BY_HAND, ""}
    for name in sorted({run.rule for run in kept.runs if run.done is None} - rules):
        yield f"rule {name} is gone"


def _off_charge(
    now: Moment, pack: str, at: float, soc: float, own: Sequence[KeptRun],
    left: Sequence[KeptRun], show_at: Callable[[Moment], str],
) -> Iterator[str]:  # fmt: skip
    late = next((run for run in left if now > run.ends + LATE), None)
    if late is not None:
        by = show_at(late.ends)
        yield f"{pack} was to be at {late.target:g} % by {by}, and is at {at:.0f} %"
        return
    ends = [left[0].level, left[0].target] if left else [own[-1].target if own else soc]
    low, high = min(ends), max(ends)
    if not low - OFF_BY <= at <= high + OFF_BY:
        had = f"{low:.0f} %" if low == high else f"{low:.0f} % to {high:.0f} %"
        yield f"{pack} is at {at:.0f} %, and the plan has it at {had}"


def _off_place(world: World, kept: KeptPlan, run: KeptRun) -> Iterator[str]:
    """A run whose pack is elsewhere, and that nobody is to hang there in time."""
    if world.packs[run.pack].station == run.station:
        return
    moved = any(
        one.done is None and one.at <= run.begins and place_of(one) == (run.pack, run.station)
        for one in kept.moves
    )
    if not moved:
        where = world.packs[run.pack].station
        place = f"on {where}" if where else "on no station"
        yield f"{run.pack} was to stay on {run.station}, and is {place}"


def _other_site(world: World, kept: KeptPlan) -> Iterator[str]:
    known = {one.pack for one in kept.supposed}
    for name in world.setup.site.packs:
        if name not in known:
            yield f"{name} is new"
    was = {one for one in kept.uses if one[1] > world.now}
    uses = set(uses_within(world, kept.ends))
    for name in sorted({one[0] for one in was ^ uses}):
        yield f"the use {name} has changed"
    locked = set(locked_now(world))
    for name in sorted(locked ^ set(kept.locked)):
        yield f"station {name} is {'locked' if name in locked else 'open again'}"


def _other_jobs(world: World, kept: KeptPlan) -> Iterator[str]:
    """Jobs that move energy and are not in the plan, and those in it that came to no good end."""
    known = {job_id for job_id, _ in kept.jobs}
    planned: tuple[KeptRun | KeptWish, ...] = (*kept.runs, *kept.left_out)
    there: set[str] = set()
    for name, state in world.packs.items():
        for job in state.jobs:
            there.add(job.id)
            if job.side is None or job.id in known:
                continue
            if not any(is_about(one, job) for one in planned):
                yield f"{name}: {job.wording()} is not in the plan"
    for job_id, rule in kept.jobs:
        pack = job_id.rpartition("-")[0]
        first = next((run for run in kept.runs if run.pack == pack), None)
        if job_id in there or first is None or first.done is not None or first.rule != rule:
            continue
        if all(job.rule != rule for job in world.packs[pack].jobs):
            yield f"job {job_id} ended before {pack} was at {first.target:g} %"


def planned_soc(world: World, pack: str) -> float | None:
    """The pack's charge (%), where it can be planned: known, and allowed to take energy."""
    state = world.packs[pack]
    soc = state.soc
    if state.barred or state.retired or not isinstance(soc, Known):
        return None
    return soc.value_at(world.now)


def uses_within(world: World, end: Moment) -> Sequence[tuple[str, Moment, tuple[str, ...]]]:
    """The planned uses that a plan up to `end` counts with."""
    return sorted(
        (use.name, use.start, tuple(sorted(use.packs)))
        for use in world.uses.values()
        if world.now < use.start <= end + USE_BEYOND
    )


def locked_now(world: World) -> Sequence[str]:
    """The stations that are locked."""
    return [name for name, state in world.stations.items() if state.locked]

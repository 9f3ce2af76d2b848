"""One pack as the world has it: its charge, its uses, its jobs, what it waits for.

Knows worlds and shapes. Does not know how a shape is printed.
"""

from __future__ import annotations

from collections.abc import Mapping

from carerules.domain.moment import MINUTE, SECOND, Duration, LocalTime, Moment
from carerules.domain.pack import Use
from carerules.domain.quantity import Known, Truth
from carerules.engine import BoundRule, Explained, Facts, Job, RuleState, explain
from carerules.loop import World, facts_of, foresee, planned_mend
from carerules.report import shapes
from carerules.report.aim import aim_of, in_turn, last_of
from carerules.report.shapes import (
    ChargeShape,
    GlanceShape,
    JobShape,
    PackShape,
    UseShape,
    WaitShape,
)

FRESH: Duration = 10 * MINUTE
TRUTHS: Mapping[Truth, shapes.Truth] = {
    Truth.YES: "yes", Truth.NO: "no", Truth.UNKNOWN: "unknown",
}  # fmt: skip


def pack_of(world: World, name: str, health: GlanceShape) -> PackShape:
    """The pack as it is now."""
    state, rated = world.packs[name], world.setup.site.packs[name]
    firing = foresee(world, name)
    ahead = sorted(
        (use for use in world.uses.values() if name in use.packs and use.start >= world.now),
        key=lambda use: use.start,
    )
    return PackShape(
        pack=name,
        chemistry=rated.chemistry,
        cells=rated.cells,
        capacity_ah=rated.capacity_ah,
        charge=charge_of(world, name),
        aim=aim_of(world, name, firing),
        last=last_of(world, name),
        health=health,
        voltage_v=_fresh(world, name, "pack.voltage"),
        cell_spread_v=_fresh(world, name, "pack.cell.spread"),
        temperature_c=_fresh(world, name, "pack.temperature"),
        station=state.station,
        next_use=use_of(ahead[0], world.local) if ahead else None,
        waits=_waits(world, name, firing),
        jobs=[job_of(world, job) for job in in_turn(state)],
        barred=state.barred or None,
        retired=state.retired or None,
        doubt=state.estimate.doubt or None,
        left_out=state.left_out,
    )


def charge_of(world: World, name: str) -> ChargeShape:
    """How full the pack is now, and since when and by whose word that is counted."""
    state = world.packs[name]
    match state.soc:
        case Known(_, _, at, source) as soc:
            value = max(0.0, min(100.0, soc.value_at(world.now)))
            spread = soc.spread_at(world.now)
            since = max(state.estimate.track.anchored, 0) or at
            return ChargeShape(
                soc_percent=tidy(value), spread_percent=tidy(spread), source=source,
                since=world.local.read(since), unknown=None,
            )  # fmt: skip
        case unknown:
            return ChargeShape(
                soc_percent=None, spread_percent=None, source=None, since=None, unknown=unknown.why
            )


def _fresh(world: World, name: str, signal: str) -> float | None:
    reading = world.packs[name].estimate.readings.get(signal)
    if not isinstance(reading, Known) or world.now - reading.at > FRESH:
        return None
    return tidy(reading.value)


def use_of(use: Use, local: LocalTime) -> UseShape:
    """A planned use."""
    return UseShape(
        use=use.name, start=local.read(use.start), packs=sorted(use.packs),
        calendar=use.calendar or None,
    )  # fmt: skip


def show_use(use: UseShape) -> str:
    """`Saturday survey (egret, heron)`, and which calendar planned it."""
    by = f", by calendar {use.calendar}" if use.calendar else ""
    return f"{use.use} ({', '.join(use.packs)}){by}"


def job_of(world: World, job: Job) -> JobShape:
    """A job under way. Where it waits for a place, its mend is what the kept plan says."""
    mend = planned_mend(world, job) or job.mend
    return JobShape(
        job=job.id, rule=job.rule, line=job.wording(), phase=job.phase.value,
        since=world.local.read(job.since), why=job.why or None, mend=mend or None,
        energy_wh=tidy(job.energy_wh),
    )  # fmt: skip


def seconds(duration: Duration) -> float:
    """Milliseconds as seconds."""
    return duration / SECOND


def tidy(value: float) -> float:
    """A number of any unit without the noise of its last digits: four after the point."""
    return round(value, 4)


# ---- what it waits for -----------------------------------------------------------------------


def _waits(world: World, name: str, firing: Mapping[str, Moment]) -> list[WaitShape]:
    """The rules that only time keeps from firing; those with a moment first, soonest first."""
    state, bound = world.packs[name], world.setup.bound[name]
    facts = facts_of(world, name)
    found: list[tuple[Moment, WaitShape]] = []
    for rule, its in zip(bound.rules, state.rules, strict=True):
        wait = _wait(rule, its, facts, world, firing.get(rule.key))
        if wait is not None and not state.retired:
            found.append((firing.get(rule.key, world.now * 2), wait))
    return [wait for _, wait in sorted(found, key=lambda pair: pair[0])]


def _wait(
    rule: BoundRule, state: RuleState, facts: Facts, world: World, fires: Moment | None
) -> WaitShape | None:
    if state.truth is Truth.YES and not state.armed:
        return None
    whole = explain(rule.when, state.memory, facts, world.now)
    hold = _running(whole)
    if fires is None and (hold is None or _is_hopeless(whole)):
        return None
    return WaitShape(
        rule=rule.rule.name,
        ran_s=None if hold is None else seconds(hold.ran or 0),
        wanted_s=None if hold is None else seconds(hold.wanted or 0),
        holds=TRUTHS[whole.truth],
        fires_at=None if fires is None else world.local.read(fires),
    )


def _running(whole: Explained) -> Explained | None:
    """The `for` with the longest way to go of those that run and are not yet full."""
    running = [
        part
        for part in _all(whole)
        if part.wanted is not None and part.ran and part.ran < part.wanted
    ]
    return max(running, key=lambda part: (part.wanted or 0) - (part.ran or 0), default=None)


def _is_hopeless(whole: Explained) -> bool:
    """Whether another part is false, so that the rule does not wait for its `for` alone."""
    return any(part.truth is Truth.NO and _running(part) is None for part in whole.parts)


def _all(whole: Explained) -> list[Explained]:
    return [whole, *(one for part in whole.parts for one in _all(part))]

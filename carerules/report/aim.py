"""The charge that a pack should have now, why, and what was last read of it.

Knows worlds and shapes. Does not decide: a job under way says what is wanted now, and a rule that
only time keeps from firing what will be.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from carerules.domain.action import Action, Charge, Drain
from carerules.domain.moment import Moment
from carerules.domain.quantity import Known, show_read
from carerules.engine import BoundRule, Job, line_wording, owner
from carerules.loop import World
from carerules.loop.world import PackState
from carerules.report.shapes import AimShape, LastShape


def aim_of(world: World, name: str, firing: Mapping[str, Moment]) -> AimShape | None:
    """The level that the pack's rules want: of a job under way, else of the rule that fires soonest
    of those that move energy; None: none wants any other than it has.

    `firing` is what `foresee` gave for the pack.
    """
    state, rules = world.packs[name], world.setup.bound[name].rules
    because = {rule.rule.name: rule.rule.because for rule in rules}
    for job in in_turn(state):
        level = _level(job.actions[job.line :])
        if level is not None:
            return _aim(level, job.rule, because.get(job.rule, ""), _by(world, name, job), None)
    if state.retired:
        return None
    ahead = sorted((firing[rule.key], n) for n, rule in enumerate(rules) if rule.key in firing)
    for moment, number in ahead:
        rule: BoundRule = rules[number]
        level = _level(rule.rule.actions)
        if level is not None:
            at = world.local.read(max(moment, world.now))
            return _aim(level, rule.rule.name, rule.rule.because, None, at)
    return None


def in_turn(state: PackState) -> Sequence[Job]:
    """The pack's jobs, the one that has the pack first: what the others want is not wanted yet."""
    first = owner(state.jobs, state.soc)
    return sorted(state.jobs, key=lambda job: job is not first)


def _level(actions: Sequence[Action]) -> Drain | Charge | None:
    """The first of the lines that has a charge to reach."""
    return next((one for one in actions if isinstance(one, Drain | Charge)), None)


def _aim(
    level: Drain | Charge, rule: str, because: str, by: datetime | None, wanted: datetime | None
) -> AimShape:
    return AimShape(
        percent=level.target, line=line_wording(level), rule=rule, because=because or None,
        by=by, wanted_from=wanted,
    )  # fmt: skip


def _by(world: World, name: str, job: Job) -> datetime | None:
    """Until when, where the job charges for the next use."""
    level = _level(job.actions[job.line :])
    starts = [u.start for u in world.uses.values() if name in u.packs and u.start >= world.now]
    if not isinstance(level, Charge) or not level.by_use or not starts:
        return None
    return world.local.read(min(starts))


def last_of(world: World, name: str) -> LastShape | None:
    """The newest of what was reported of the pack, not worked out; None: nothing ever was."""
    raw = [
        (reading.at, signal == "pack.voltage", signal, reading)
        for signal, reading in world.packs[name].estimate.readings.items()
        if isinstance(reading, Known)
        and (row := world.setup.signals.get(signal)) is not None
        and row.max_age is not None
    ]
    if not raw:
        return None
    at, _, signal, reading = max(raw, key=lambda one: one[:2])
    row = world.setup.signals[signal]
    return LastShape(
        signal=signal, found=show_read(reading.value, row.dimension), at=world.local.read(at),
        age_s=max(0, world.now - at) / 1_000, source=reading.source or None,
    )  # fmt: skip

"""Whether anything sleeps that nobody will wake.

A step says when it must be woken at the latest. A job that would go on if somebody looked at it
now, and for which nothing is due, goes on when something else happens to be heard, or never.
"""

from __future__ import annotations

from dataclasses import replace

from carerules.domain.event import Tick
from carerules.domain.moment import NEVER
from carerules.loop import World, next_due, step


def asleep(world: World) -> list[str]:
    """The jobs for which nothing is due, and which a look at them at this very moment moves."""
    if world.starting_since is not None or world.ended or next_due(world) <= world.now:
        return []
    named = {
        name: state for name, state in world.packs.items() if state.jobs and state.jobs_due == NEVER
    }
    if not named:
        return []
    due = {name: replace(state, jobs_due=world.now) for name, state in named.items()}
    looked, _ = step(replace(world, packs={**world.packs, **due}), Tick(world.now))
    return [
        f"{one.id} ({one.phase.value}: {one.why})"
        for name, state in named.items()
        for one in state.jobs
        if not any(
            (one.id, one.line, one.phase) == (after.id, after.line, after.phase)
            for after in looked.packs[name].jobs
        )
    ]

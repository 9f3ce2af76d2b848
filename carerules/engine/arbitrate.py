"""Which of a pack's jobs may move energy: at most one.

Knows `over`, and how much each would move. Does not know safety.
"""

from __future__ import annotations

from collections.abc import Sequence

from carerules.domain.action import Charge, Drain, Hold
from carerules.domain.quantity import Known, Reading
from carerules.engine.job import Job, Phase


def owner(jobs: Sequence[Job], soc: Reading) -> Job | None:
    """The job that has the pack: `over` decides, then who is at it, then the least energy.

    A job at rest or settling has the pack too: nothing may flow meanwhile.
    """
    wanting = [job for job in jobs if _has_use_for_the_pack(job)]
    if len(wanting) < 2:  # almost always: nobody to weigh it against
        return wanting[0] if wanting else None
    giving_way = {name for job in wanting for name in job.over}
    standing = [job for job in wanting if job.rule not in giving_way] or wanting
    return min(standing, key=lambda job: _rank(job, soc), default=None)


def _has_use_for_the_pack(job: Job) -> bool:
    return job.side is not None or job.phase is Phase.RESTING or job.started


def _rank(job: Job, soc: Reading) -> tuple[bool, bool, float, int, str]:
    at_it = job.phase in (Phase.MOVING, Phase.SETTLING, Phase.RESTING) or job.started
    moves = 0.0
    action = job.action
    if isinstance(action, (Drain, Charge)) and isinstance(soc, Known):
        moves = abs(action.target - soc.value)
    forbids = job.phase is Phase.RESTING and isinstance(action, Hold)
    return not forbids, not at_it, moves, job.fired_at, job.id

"""A drain of a pack whose voltage nobody sees: it goes down in stages, and is read between them.

Knows how deep a stage goes, and when the pack was last read. Does not know why that is a bound: the
interlock has the same one, and ends what goes past it.
"""

from __future__ import annotations

from math import ceil

from carerules.domain.decision import Ending
from carerules.domain.frozen import changed
from carerules.domain.moment import SECOND
from carerules.engine.job import Going, Job, Over, Phase, Unseen, View, wait


def staged(job: Job, target: float, charge: float, view: View) -> Job | Going | Over:
    """The job with the charge (%) at which its next run ends, or ended; else what it does instead:
    it waits until the pack is read, or ends, because its target lies deeper than it may go unseen.
    """
    unseen = view.unseen
    if view.running and unseen is not None and job.stage is None:
        # It began where the voltage was seen. What goes on unseen begins anew, as a stage.
        return Going(wait(job, view.now, "its voltage is seen no more"), due=view.now + SECOND)
    if view.running:
        return job  # fixed when the run began, as its caps are
    if unseen is None:
        return job if job.stage is None else changed(job, stage=None)
    floor = unseen.floor()
    if target < floor:
        return Over(job, Ending.REFUSED, too_deep(floor))
    stage = job.stage
    is_read = unseen.read_at > job.since
    if stage is not None and not unseen.drawn and not is_read and charge > stage:
        # It was charged meanwhile: what the line may move is reckoned anew. Not for a reading: one
        # that never comes down would have a pack drained again and again.
        job = changed(job, budget_wh=None, line_wh=0.0)
    if stage is not None and job.phase is Phase.WAITING and is_read:
        stage = None
    stage = max(stage_below(charge, target, unseen), stage or 0.0)
    job = job if stage == job.stage else changed(job, stage=stage)
    return waits_to_be_read(job, stage, view) if charge <= stage else job


def stage_below(charge: float, target: float, unseen: Unseen) -> float:
    """Where the next stage ends on the way down to a target (%); not below the charge: nothing may
    flow. What other jobs have drawn since the pack was read counts as well."""
    # A whole percent: so it is what is shown, and never a hair deeper than may be.
    return max(target, ceil(charge - max(0.0, unseen.points - unseen.drawn)))


def stage_ended(job: Job, charge: float, view: View) -> Job | None:
    """The job whose run has come to the end of its stage, at a charge (%); None: it has not."""
    if job.phase is not Phase.MOVING or job.stage is None:
        return None
    if charge <= job.stage:
        return job
    unseen = view.unseen
    if unseen is None or unseen.drawn < unseen.points:
        return None
    # Somebody has said meanwhile that there is more in it: it goes no deeper for that.
    return changed(job, stage=ceil(charge))


def waits_to_be_read(job: Job, stage: float, view: View) -> Going:
    """The job at the end of a stage, `stage` (%); it goes on at once if the pack tells its voltage
    itself."""
    if view.unseen is None:
        return Going(wait(job, view.now, "its voltage is seen now"), due=view.now)
    why, mend, how = unread(job.pack, stage)
    return Going(wait(job, view.now, why, f"{mend}, to {job.wording()}: {how}"))


def unread(pack: str, stage: float) -> tuple[str, str, str]:
    """What a pack at the end of a stage (%) waits for: why, what is to be done, by which word."""
    why = f"{pack} has come down to {stage:.0f} % unseen"
    return why, f"read {pack}'s voltage and enter it", f"`carerules record {pack} voltage`"


def too_deep(floor: float) -> str:
    """Why a drain to below the floor (%) of what nobody sees is refused."""
    return f"at least {ceil(floor)} % where the voltage is not seen"

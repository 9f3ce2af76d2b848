"""A drain of a pack whose voltage nobody sees: it goes down in stages, and is read between them.

Knows how deep a stage goes, and when the pack was last read. Does not know why that is a bound: the
interlock has the same one, and ends what goes past it.
"""

from __future__ import annotations

from math import ceil

from carerules.domain.decision import Ending
from carerules.domain.frozen import changed
from carerules.engine.job import Going, Job, Over, Phase, View, wait


def staged(job: Job, target: float, charge: float, view: View) -> Job | Going | Over:
    """The job with the charge (%) at which its next run ends, or ended; else what it does instead:
    it waits until the pack is read, or ends, because its target lies deeper than it may go unseen.
    """
    unseen = view.unseen
    if view.running:
        return job  # fixed when the run began, as its caps are
    if unseen is None:
        return job if job.stage is None else changed(job, stage=None)
    if target < unseen.floor:
        why = f"at least {ceil(unseen.floor)} % where the voltage is not seen"
        return Over(job, Ending.REFUSED, why)
    stage = job.stage
    if stage is not None and job.phase is Phase.WAITING and unseen.read_at > job.since:
        stage = None
    # A whole percent: so it is what is shown, and never a hair deeper than may be. What other jobs
    # have drawn since it was read counts as well.
    left = max(0.0, unseen.points - unseen.drawn)
    stage = max(target, ceil(charge - left), stage or 0.0)
    job = job if stage == job.stage else changed(job, stage=stage)
    return waits_to_be_read(job, stage, view) if charge <= stage else job


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
    why = f"{job.pack} has come down to {stage:.0f} % unseen"
    mend = f"read {job.pack}'s voltage and enter it, to {job.wording()}:"
    return Going(wait(job, view.now, why, f"{mend} `carerules record {job.pack} voltage`"))

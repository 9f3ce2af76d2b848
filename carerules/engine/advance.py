"""How a job goes on: line by line, each waiting for what it needs.

Knows the phases of a job. Does not know safety's reasons, plugs or wires: it says what it wants (an
`Intent`), and is told what became of it.
"""

from __future__ import annotations

from carerules.domain.action import (
    Ask,
    Charge,
    Chore,
    Drain,
    Hold,
    Mark,
    Notify,
    Quarantine,
    Rest,
    Retire,
    Switch,
)
from carerules.domain.decision import Ending, Intent
from carerules.domain.frozen import changed
from carerules.domain.moment import HOUR, MINUTE, NEVER, Duration
from carerules.domain.quantity import Truth
from carerules.engine.energy import ENERGY_CAP, LEAST_WH, ON_TIME_MAX, move_energy
from carerules.engine.job import (
    NO_TARGET,
    Asking,
    Going,
    Instant,
    Job,
    Over,
    Phase,
    Step,
    View,
    enter,
    next_line,
    no_place,
    wait,
)


def advance(job: Job, view: View) -> Step:
    """What the job does at this moment. Pure: called again at once, it says the same."""
    now = view.now
    if view.stop is Truth.YES:
        return Over(job, Ending.STOPPED, "its `stop when` is true")
    if view.wanted is Truth.NO and not job.started and job.side is not None:
        return Over(job, Ending.NOT_NEEDED, "its condition is no longer true")
    match job.action:
        case Notify(again=again) as action if again is not None:
            return _tell_again(job, action, again, view)
        case Notify() | Chore() | Mark() | Quarantine() | Retire() as action:
            return Instant(job, action)
        case Ask(_, within) as action:
            if job.phase is not Phase.ASKING:
                return Asking(enter(job, Phase.ASKING, now), action, now + within)
            if now >= job.since + within:
                return Over(job, Ending.CANCELLED, "nobody answered")
            return Going(job, due=job.since + within)
        case Rest(time) | Hold(time):
            if job.phase is not Phase.RESTING:
                job = enter(job, Phase.RESTING, now)
            if now >= job.since + time:
                return next_line(job, view)
            return Going(job, due=job.since + time)
        case Switch() as action:
            return _plain_switch(job, action, view)
        case Drain() | Charge():
            return move_energy(job, view)


def _tell_again(job: Job, action: Notify, again: Duration, view: View) -> Step:
    """Told at once, and then each so long, until the rule is certainly no longer true."""
    if job.phase is Phase.WAITING:
        if view.wanted is Truth.NO:
            return next_line(job, view)
        if view.now < job.since + again:
            return Going(job, due=job.since + again)
    told = changed(job, phase=Phase.WAITING, since=view.now, why="tells it again while it holds")
    return Instant(told, action)


def _plain_switch(job: Job, action: Switch, view: View) -> Step:
    """A plain switch: on for a time, through the same permits as any other energy; or off."""
    if action.time is None:
        return Instant(job, action)
    if job.phase is Phase.SETTLING:
        return next_line(job, view) if view.off_proven else Going(job)
    if job.phase is Phase.MOVING and view.now >= job.since + action.time:
        return Going(enter(job, Phase.SETTLING, view.now), due=view.now)
    if view.ahead:
        return Going(wait(job, view.now, f"waits for {view.ahead}"))
    socket = None if view.station is None else view.station.socket(action.side)
    if view.station is None or socket is None:
        why, mend = no_place(job.pack, action.side)
        return Going(wait(job, view.now, why, f"{mend}: {job.wording()}"))
    if job.rounds and job.phase is not Phase.MOVING:
        return Over(job, Ending.FAILED, f"it went off early: {job.why}")
    intent = Intent(
        job=job.id, rule=job.rule, pack=job.pack, station=view.station.name, side=action.side,
        target=NO_TARGET[action.side],
        because=job.because or f"rule {job.rule}",
        time_max=min(ON_TIME_MAX, action.time + MINUTE),
        energy_wh_max=max(LEAST_WH, ENERGY_CAP * socket.power_w * action.time / HOUR),
    )  # fmt: skip
    due = job.since + action.time if job.phase is Phase.MOVING else NEVER
    return Going(job, intent, due)

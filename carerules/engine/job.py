"""Jobs: the action lines of a rule that fired, carried out one after the other for one pack.

Knows what a job is, sees and can say. Does not know how it goes on (engine/advance).
Everything a job remembers is in `Job`, so that a restart finds it where it was.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import Enum
from typing import TypeAlias

from carerules.domain.action import (
    ACTIONS,
    Action,
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
    clock,
    side_of,
)
from carerules.domain.decision import Ending, Intent
from carerules.domain.frozen import changed, frozen
from carerules.domain.moment import NEVER, Duration, LocalTime, Moment, show_duration
from carerules.domain.pack import Side, Station
from carerules.domain.quantity import Known, Reading, Truth


class Phase(Enum):
    """What a job is doing. `READY`: its line has not been looked at yet."""

    READY = "ready"
    WAITING = "waiting"
    MOVING = "moving energy"
    SETTLING = "settling"
    RESTING = "resting"
    ASKING = "asking"


NO_TARGET: Mapping[Side, float] = {Side.LOAD: 100.0, Side.CHARGER: 0.0}
"""A plain switch aims at no charge: the floors and ceilings alone stop it."""


@frozen
class Job:
    """One activation's work. `line` is the action it is at; `rounds` counts the line's ON runs.

    `energy_wh` is what all its lines have moved, `line_wh` what this one has; `budget_wh` what this
    line may move in all its runs, fixed when the first begins. `stage`: the charge (%) at which the
    run ends, where the line goes on below it (engine/stages). `stop_key`: the `stop when` that it
    began under.
    """

    id: str
    rule: str
    key: str
    pack: str
    actions: tuple[Action, ...]
    fired_at: Moment
    over: frozenset[str] = frozenset()
    because: str = ""
    line: int = 0
    phase: Phase = Phase.READY
    since: Moment = 0
    rounds: int = 0
    started: bool = False
    energy_wh: float = 0.0
    line_wh: float = 0.0
    budget_wh: float | None = None
    why: str = ""
    mend: str = ""
    stop_key: str = ""
    stage: float | None = None

    @property
    def action(self) -> Action:
        """The line it is at."""
        return self.actions[self.line]

    @property
    def side(self) -> Side | None:
        """Load or charger, where the line moves energy."""
        return side_of(self.actions[self.line])

    def wording(self) -> str:
        """The line it is at, as a person would say it."""
        return line_wording(self.action)


@frozen
class Unseen:
    """Bounds of a drain where nobody sees the pack's voltage: how far it may go until somebody
    reads it and how far it has gone since (points of charge), the charge (%) below which none goes
    (asked for where a run begins), and when the voltage was last read."""

    points: float
    drawn: float
    floor: Callable[[], float]
    read_at: Moment


@frozen
class View:
    """What a job sees of its pack at one moment. `running`: its own ON is under way. `unseen`: of a
    station where a load may be on though nobody sees the pack's voltage, and nobody does."""

    now: Moment
    local: LocalTime
    soc: Reading
    voltage_live: bool
    station: Station | None
    off_proven: bool
    running: bool
    next_use: Moment | None
    wanted: Truth
    stop: Truth
    taper_end: bool
    ahead: str
    forecast: Callable[[Side, float], tuple[Duration, float]]
    charge_rate: Callable[[float], float]
    built_in: bool = False
    unseen: Unseen | None = None


@frozen
class Going:
    """The job goes on: what it wants now, and when it must be looked at again at the latest."""

    job: Job
    intent: Intent | None = None
    due: Moment = NEVER


@frozen
class Instant:
    """The job is at a line that is done by saying so: a notice, a chore, a mark."""

    job: Job
    action: Notify | Chore | Mark | Quarantine | Retire | Switch


@frozen
class Asking:
    """The job has a question for a person."""

    job: Job
    action: Ask
    due: Moment


@frozen
class Over:
    """The job has ended."""

    job: Job
    ending: Ending
    why: str


Step: TypeAlias = Going | Instant | Asking | Over


# ---- what becomes of a job -----------------------------------------------------------------


def passed(job: Job, now: Moment) -> Job | None:
    """The job at the beginning of its next line; None: this was the last."""
    if job.line + 1 == len(job.actions):
        return None
    return changed(
        job, line=job.line + 1, phase=Phase.READY, since=now, rounds=0, started=True,
        line_wh=0.0, budget_wh=None, why="", mend="", stage=None,
    )  # fmt: skip


def next_line(job: Job, view: View) -> Step:
    """The job at its next line, or over when this was the last."""
    after = passed(job, view.now)
    if after is not None:
        return Going(after, due=view.now)
    nothing = job.side is not None and not job.rounds
    ending = Ending.NOT_NEEDED if nothing and not job.started else Ending.DONE
    return Over(job, ending, "already there" if nothing else _result(job, view))


def _result(job: Job, view: View) -> str:
    if job.side is not None and isinstance(view.soc, Known):
        return f"{job.pack} is at {view.soc.value_at(view.now):.0f} %"
    return "every line is done"


def moving(job: Job, now: Moment, *, new_run: bool) -> Job:
    """The job's intent was permitted: energy flows."""
    if job.phase is not Phase.MOVING:
        job = enter(job, Phase.MOVING, now)
    return changed(job, started=True, rounds=job.rounds + 1) if new_run else job


def wants_place(job: Job) -> bool:
    """Whether it waits for its pack to be hung on another station: so its mend says."""
    return job.phase is Phase.WAITING and job.mend.startswith(put_on(job.pack, ""))


def put_on(pack: str, place: str) -> str:
    """The mend of a job that waits for its pack to be hung elsewhere."""
    return f"put {pack} on {place}"


def no_place(pack: str, side: Side) -> tuple[str, str]:
    """Why a pack that is on no such station waits, and the mend."""
    place = f"station with a {side.value}"
    return f"{pack} is on no {place}", put_on(pack, f"a {place}")


def wait(job: Job, now: Moment, why: str, mend: str = "") -> Job:
    """The job waits, for this reason; `mend` is what a person can do about it."""
    if job.phase is Phase.WAITING and (job.why, job.mend) == (why, mend):
        return job
    since = job.since if job.phase is Phase.WAITING else now
    return changed(job, phase=Phase.WAITING, since=since, why=why, mend=mend)


def enter(job: Job, phase: Phase, now: Moment, why: str = "") -> Job:
    """The job in another phase, from now."""
    return changed(job, phase=phase, since=now, why=why, mend="")


def add_energy(job: Job, energy_wh: float) -> Job:
    """The job with what one ON run moved through the plug."""
    return changed(job, energy_wh=job.energy_wh + energy_wh, line_wh=job.line_wh + energy_wh)


def line_wording(action: Action) -> str:
    """An action as a person would say it."""
    match action:
        case Drain(target, _, _):
            return f"drain to {target:.4g} %"
        case Charge(target, by_use, _, by_minute, _):
            by = " by the use" if by_use else f" by {clock(by_minute)}" if by_minute else ""
            return f"charge to {target:.4g} %{by}"
        case Rest(time) | Hold(time):
            return f"{ACTIONS[type(action)].name} {show_duration(time)}"
        case Switch(side, time):
            until = "off" if time is None else f"on for {show_duration(time)}"
            return f"switch {side.value} {until}"
        case Mark(event):
            return f"mark {event}"
        case Ask() | Notify() | Chore() | Quarantine() | Retire():
            return ACTIONS[type(action)].name

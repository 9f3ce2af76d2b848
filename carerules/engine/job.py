"""Jobs: the action lines of a rule that fired, carried out one after the other for one pack.

Knows the phases of a job and what each waits for. Does not know safety's reasons, plugs or wires:
it says what it wants (an `Intent`), and is told what became of it. Everything a job remembers is
in `Job`, so that a restart finds it where it was.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum
from typing import TypeAlias

from carerules.domain.action import (
    ACTIONS,
    Action,
    Ask,
    Charge,
    Chore,
    Drain,
    Mark,
    Notify,
    Quarantine,
    Rest,
    Retire,
)
from carerules.domain.decision import Ending, Intent
from carerules.domain.moment import HOUR, MINUTE, NEVER, Duration, LocalTime, Moment, show_duration
from carerules.domain.pack import Side, Station
from carerules.domain.quantity import Known, Reading, Truth
from carerules.engine import window


class Phase(Enum):
    """What a job is doing. `READY`: its line has not been looked at yet."""

    READY = "ready"
    WAITING = "waiting"
    MOVING = "moving energy"
    SETTLING = "settling"
    RESTING = "resting"
    ASKING = "asking"


@dataclass(frozen=True, slots=True)
class Job:
    """One activation's work. `line` is the action it is at; `rounds` counts the line's ON runs.

    `energy_wh` is what all its lines have moved, `line_wh` what this one has; `budget_wh` what this
    line may move in all its runs, fixed when the first begins.
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

    @property
    def action(self) -> Action:
        """The line it is at."""
        return self.actions[self.line]

    @property
    def side(self) -> Side | None:
        """Load or charger, where the line moves energy."""
        return ACTIONS[type(self.action)].side

    def wording(self) -> str:
        """The line it is at, as a person would say it."""
        return line_wording(self.action)


@dataclass(frozen=True, slots=True)
class View:
    """What a job sees of its pack at one moment."""

    now: Moment
    local: LocalTime
    soc: Reading
    voltage_live: bool
    station: Station | None
    off_proven: bool
    next_use: Moment | None
    wanted: Truth
    stop: Truth
    taper_end: bool
    ahead: str
    forecast: Callable[[Side, float], tuple[Duration, float]]


@dataclass(frozen=True, slots=True)
class Going:
    """The job goes on: what it wants now, and when it must be looked at again at the latest."""

    job: Job
    intent: Intent | None = None
    due: Moment = NEVER


@dataclass(frozen=True, slots=True)
class Instant:
    """The job is at a line that is done by saying so: a notice, a chore, a mark."""

    job: Job
    action: Notify | Chore | Mark | Quarantine | Retire


@dataclass(frozen=True, slots=True)
class Asking:
    """The job has a question for a person."""

    job: Job
    action: Ask
    due: Moment


@dataclass(frozen=True, slots=True)
class Over:
    """The job has ended."""

    job: Job
    ending: Ending
    why: str


Step: TypeAlias = Going | Instant | Asking | Over

SETTLE: Duration = 20 * MINUTE
"""Rest after a drain before its result is read: 10 min leave 1-10 mV, 30 min 0-4 mV (open HPPC
data, doi 10.5281/zenodo.2580327, at 25 °C)."""
SETTLED_WITHIN_POINTS = 2.0
"""A drain that rests this close to its target is done; half the doubt of a rest-voltage table."""
ROUNDS_MAX = 6
"""ON runs of one line: a 4 h cap each makes a day of work, and a fault does not repeat for ever."""
CHARGE_MARGIN = 1.25
CHARGE_SPARE: Duration = 30 * MINUTE
"""A charge in time for a use starts this much earlier than forecast: taper and balancing."""
FULL_WITHIN_POINTS = 0.5
ON_TIME_MAX: Duration = 4 * HOUR
TIME_CAP = 1.5
ENERGY_CAP = 1.25
"""SAFETY 9: the caps of each ON, whatever the sensors say."""
LEAST_TIME: Duration = 5 * MINUTE
LEAST_WH = 0.5
"""The smallest caps: below them the meter's own error would end a drain."""


def advance(job: Job, view: View) -> Step:
    """What the job does at this moment. Pure: called again at once, it says the same."""
    now = view.now
    if view.stop is Truth.YES:
        return Over(job, Ending.STOPPED, "its `stop when` is true")
    if view.wanted is Truth.NO and not job.started and job.side is not None:
        return Over(job, Ending.NOT_NEEDED, "its condition is no longer true")
    match job.action:
        case Notify() | Chore() | Mark() | Quarantine() | Retire() as action:
            return Instant(job, action)
        case Ask(_, within) as action:
            if job.phase is not Phase.ASKING:
                return Asking(_enter(job, Phase.ASKING, now), action, now + within)
            if now >= job.since + within:
                return Over(job, Ending.CANCELLED, "nobody answered")
            return Going(job, due=job.since + within)
        case Rest(time):
            if job.phase is not Phase.RESTING:
                job = _enter(job, Phase.RESTING, now)
            if now >= job.since + time:
                return _next_line(job, view)
            return Going(job, due=job.since + time)
        case Drain() | Charge():
            return _energy(job, view)


def _energy(job: Job, view: View) -> Step:
    if job.phase is Phase.SETTLING:
        return _settle(job, view)
    match view.soc:
        case Known() as soc:
            value = soc.value_at(view.now)
        case unknown:
            if job.phase is Phase.MOVING:  # the interlock has its own word on this
                return Going(wait(job, view.now, f"charge is not known: {unknown.why}"))
            mend = f"read {job.pack}'s voltage and enter it: `carerules record {job.pack} voltage`"
            return Going(wait(job, view.now, f"charge is not known: {unknown.why}", mend))
    if _reached(job, value, view):
        if job.phase is not Phase.MOVING and not job.rounds:
            return _next_line(job, view)
        return Going(_enter(job, Phase.SETTLING, view.now), due=view.now)
    if view.ahead:
        return Going(wait(job, view.now, f"waits for {view.ahead}"))
    hindrance = _hindrance(job, view)
    if not isinstance(hindrance, int):
        return hindrance
    side = job.side
    assert side is not None
    assert view.station is not None
    target = _target(job)
    time, energy_wh = view.forecast(side, target)
    job, left_wh = _budget(job, energy_wh)
    if left_wh <= 0 and job.phase is not Phase.MOVING:
        return Over(job, Ending.FAILED, _shortfall(job, value))
    intent = Intent(
        job=job.id, rule=job.rule, pack=job.pack, station=view.station.name, side=side,
        target=target, because=job.because or f"rule {job.rule}",
        time_max=max(LEAST_TIME, min(ON_TIME_MAX, round(TIME_CAP * time))),
        energy_wh_max=max(LEAST_WH, min(left_wh, ENERGY_CAP * energy_wh)),
    )  # fmt: skip
    return Going(job, intent, due=hindrance)


def _budget(job: Job, forecast_wh: float) -> tuple[Job, float]:
    """The job with its line's budget, and what is left of it.

    A reading that never comes down must not drain a pack again and again: all runs of a line
    together move no more than a quarter over what the first was forecast to.
    """
    budget = job.budget_wh
    if budget is None:
        budget = max(LEAST_WH, ENERGY_CAP * forecast_wh)
        job = replace(job, budget_wh=budget)
    return job, budget - job.line_wh


def _shortfall(job: Job, soc: float) -> str:
    return f"{job.line_wh:.0f} Wh moved, yet it reads {soc:.0f} %, wanted {_target(job):.0f} %"


def _reached(job: Job, soc: float, view: View) -> bool:
    if job.side is Side.LOAD:
        return soc <= _target(job)
    return soc >= _target(job) - FULL_WITHIN_POINTS or view.taper_end


def _hindrance(job: Job, view: View) -> Going | Over | Moment:
    """What keeps the line from moving energy now, other than safety.

    Nothing does: the moment at which its window closes.
    """
    action, side, now = job.action, job.side, view.now
    assert isinstance(action, (Drain, Charge))
    assert side is not None
    socket = view.station.socket(side) if view.station else None
    if socket is None:
        time, _ = view.forecast(side, action.target)
        place = f"a station with a {side.value}"
        about = f" (about {show_duration(time - time % MINUTE)})" if time >= MINUTE else ""
        why = f"{job.pack} is on no station with a {side.value}"
        return Going(wait(job, now, why, f"put {job.pack} on {place}: {job.wording()}{about}"))
    # Once begun a charge goes on: what is left to do shrinks faster than the time to the use.
    if isinstance(action, Charge) and action.by_use and not job.rounds:
        if view.next_use is None:
            return Over(job, Ending.NOT_NEEDED, "no use is planned")
        time, _ = view.forecast(side, action.target)
        start = view.next_use - round(CHARGE_MARGIN * time) - CHARGE_SPARE
        if now < start:
            begins = view.local.show(start)
            mend = f"be with {job.pack} from {begins}: {job.wording()}"
            return Going(wait(job, now, f"starts {begins}, in time", mend), due=start)
    closes = NEVER
    if action.window is not None:
        within, closes = window.inside(action.window, now, view.local)
        if not within:
            return Going(wait(job, now, f"only during {action.window.show()}"), due=closes)
    if isinstance(action, Drain) and action.power_w is not None and socket.power_w > action.power_w:
        why = f"the load draws {socket.power_w:.0f} W, wanted at most {action.power_w:.0f} W"
        return Going(wait(job, now, why, f"put {job.pack} on a station with a smaller load"))
    if job.rounds >= ROUNDS_MAX and job.phase is not Phase.MOVING:
        return Over(job, Ending.FAILED, f"not there after {ROUNDS_MAX} runs")
    return closes


def _settle(job: Job, view: View) -> Step:
    """After the energy: wait for OFF to be proved, then for the pack to rest, then read it."""
    if not view.off_proven:
        return Going(job)
    follows_rest = job.line + 1 < len(job.actions) and isinstance(job.actions[job.line + 1], Rest)
    if job.side is Side.CHARGER or follows_rest or not view.voltage_live:
        return _next_line(job, view)
    if view.now < job.since + SETTLE:
        return Going(job, due=job.since + SETTLE)
    if not isinstance(view.soc, Known):
        return _next_line(job, view)
    rests_at = view.soc.value_at(view.now)
    if rests_at <= _target(job) + SETTLED_WITHIN_POINTS:
        return _next_line(job, view)
    if job.rounds >= ROUNDS_MAX:
        return Over(job, Ending.FAILED, _shortfall(job, rests_at))
    return Going(_enter(job, Phase.WAITING, view.now, "rested above its target"), due=view.now)


def _next_line(job: Job, view: View) -> Step:
    if job.line + 1 == len(job.actions):
        nothing = job.side is not None and not job.rounds
        ending = Ending.NOT_NEEDED if nothing and not job.started else Ending.DONE
        return Over(job, ending, "already there" if nothing else _result(job, view))
    after = _at_next_line(job, view.now)
    return Going(after, due=view.now)


def _result(job: Job, view: View) -> str:
    if job.side is not None and isinstance(view.soc, Known):
        return f"{job.pack} is at {view.soc.value_at(view.now):.0f} %"
    return "every line is done"


# ---- what the loop tells a job ---------------------------------------------------------------


def passed(job: Job, now: Moment) -> Job | None:
    """The job after an instant line, or None when that was the last."""
    if job.line + 1 == len(job.actions):
        return None
    return _at_next_line(job, now)


def _at_next_line(job: Job, now: Moment) -> Job:
    return replace(
        job, line=job.line + 1, phase=Phase.READY, since=now, rounds=0, started=True,
        line_wh=0.0, budget_wh=None, why="", mend="",
    )  # fmt: skip


def moving(job: Job, now: Moment, *, new_run: bool) -> Job:
    """The job's intent was permitted: energy flows."""
    if job.phase is not Phase.MOVING:
        job = _enter(job, Phase.MOVING, now)
    return replace(job, started=True, rounds=job.rounds + 1) if new_run else job


def wait(job: Job, now: Moment, why: str, mend: str = "") -> Job:
    """The job waits, for this reason; `mend` is what a person can do about it."""
    if job.phase is Phase.WAITING and (job.why, job.mend) == (why, mend):
        return job
    since = job.since if job.phase is Phase.WAITING else now
    return replace(job, phase=Phase.WAITING, since=since, why=why, mend=mend)


def add_energy(job: Job, energy_wh: float) -> Job:
    """The job with what one ON run moved through the plug."""
    return replace(job, energy_wh=job.energy_wh + energy_wh, line_wh=job.line_wh + energy_wh)


def _enter(job: Job, phase: Phase, now: Moment, why: str = "") -> Job:
    return replace(job, phase=phase, since=now, why=why, mend="")


def _target(job: Job) -> float:
    action = job.action
    assert isinstance(action, (Drain, Charge))
    return action.target


def line_wording(action: Action) -> str:
    """An action as a person would say it."""
    match action:
        case Drain(target, _, _):
            return f"drain to {target:.4g} %"
        case Charge(target, by_use, _):
            return f"charge to {target:.4g} %" + (" by the use" if by_use else "")
        case Rest(time):
            return f"rest {show_duration(time)}"
        case Mark(event):
            return f"mark {event}"
        case Ask() | Notify() | Chore() | Quarantine() | Retire():
            return ACTIONS[type(action)].name

"""A line that moves energy: whether it is there yet, what hinders it, what it may move.

Knows targets, forecasts and caps. Does not know the other kinds of line (engine/advance).
"""

from __future__ import annotations

from carerules.domain.action import Charge, Drain, Rest, one_minute
from carerules.domain.decision import Ending, Intent
from carerules.domain.frozen import changed
from carerules.domain.moment import HOUR, MINUTE, NEVER, Duration, Moment, show_duration
from carerules.domain.pack import Side
from carerules.domain.quantity import Known
from carerules.engine import window
from carerules.engine.job import (
    Going,
    Job,
    Over,
    Phase,
    Step,
    View,
    enter,
    next_line,
    no_place,
    put_on,
    wait,
)
from carerules.engine.stages import stage_ended, staged, waits_to_be_read

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
FAR_POINTS = 20.0
"""A charger that ends so far below its target, and both spreads, charges another pack or none: an
owner's ceiling of 4.1 V ends some 12 points below full."""
ON_TIME_MAX: Duration = 4 * HOUR
TIME_CAP = 1.5
ENERGY_CAP = 1.25
"""SAFETY 9: the caps of each ON, whatever the sensors say."""
LEAST_TIME: Duration = 5 * MINUTE
LEAST_WH = 0.5
"""The smallest caps: below them the meter's own error would end a drain."""


def move_energy(job: Job, view: View) -> Step:
    """One look at a line that drains or charges."""
    if job.phase is Phase.SETTLING:
        return _settle(job, view)
    match view.soc:
        case Known() as soc:
            value = soc.value_at(view.now)
        case unknown:
            if job.phase is Phase.MOVING:  # the interlock has its own word on this
                return Going(wait(job, view.now, f"charge is unknown: {unknown.why}"))
            mend = f"read {job.pack}'s voltage and enter it: `carerules record {job.pack} voltage`"
            return Going(wait(job, view.now, f"charge is unknown: {unknown.why}", mend))
    if _reached(job, value, view):
        short = _target_of(job) - FAR_POINTS - value - 2 * soc.spread_at(view.now)
        if job.side is Side.CHARGER and short > 0:
            why = f"the charger is at its end, yet {job.pack} reads {value:.0f} %"
            return Over(job, Ending.FAILED, f"{why}: see that {job.pack} hangs on it")
        if job.phase is not Phase.MOVING and not job.rounds:
            return next_line(job, view)
        return Going(enter(job, Phase.SETTLING, view.now), due=view.now)
    target = _target_of(job)
    if job.side is Side.LOAD:
        found = staged(job, target, value, view)
        if not isinstance(found, Job):
            return found
        job = found
        if (ended := stage_ended(job, value, view)) is not None:
            return Going(enter(ended, Phase.SETTLING, view.now), due=view.now)
    if view.ahead:
        return Going(wait(job, view.now, f"waits for {view.ahead}"))
    hindrance = _hindrance(job, view)
    if not isinstance(hindrance, int):
        return hindrance
    side = job.side
    assert side is not None
    assert view.station is not None
    aim = target if job.stage is None else job.stage
    time_max, energy_wh_max = 0, 0.0
    if not view.running:
        time, energy_wh = view.forecast(side, aim)
        _, line_wh = (time, energy_wh) if aim == target else view.forecast(side, target)
        job, left_wh = _budget(job, line_wh)
        if left_wh <= 0:
            return Over(job, Ending.FAILED, _shortfall(job, value))
        time_max = max(LEAST_TIME, min(ON_TIME_MAX, round(TIME_CAP * time)))
        energy_wh_max = max(LEAST_WH, min(left_wh, ENERGY_CAP * energy_wh))
    intent = Intent(
        job=job.id, rule=job.rule, pack=job.pack, station=view.station.name, side=side,
        target=aim, because=job.because or f"rule {job.rule}",
        time_max=time_max, energy_wh_max=energy_wh_max,
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
        job = changed(job, budget_wh=budget)
    return job, budget - job.line_wh


def _shortfall(job: Job, soc: float) -> str:
    return f"{job.line_wh:.0f} Wh moved, yet it reads {soc:.0f} %, wanted {_target_of(job):.0f} %"


def _reached(job: Job, soc: float, view: View) -> bool:
    if job.side is Side.LOAD:
        return soc <= _target_of(job)
    return soc >= _target_of(job) - FULL_WITHIN_POINTS or view.taper_end


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
        about = f" (about {show_duration(time - time % MINUTE)})" if time >= MINUTE else ""
        if view.built_in and side is Side.LOAD:
            mend = f"leave {job.pack} switched on, and read it now and then: {job.wording()}{about}"
            return Going(wait(job, now, f"{job.pack} cannot be taken out", mend))
        why, mend = no_place(job.pack, side)
        return Going(wait(job, now, why, f"{mend}: {job.wording()}{about}"))
    # Once begun a charge goes on: what is left to do shrinks faster than the time to the use.
    if isinstance(action, Charge) and not job.rounds and (by := _wanted_by(action, view)):
        if by == NEVER:
            return Over(job, Ending.NOT_NEEDED, "no use is planned")
        time, _ = view.forecast(side, action.target)
        start = by - round(CHARGE_MARGIN * time) - CHARGE_SPARE
        if now < start:
            begins = view.local.show(start)
            mend = f"be with {job.pack} from {begins}: {job.wording()}"
            return Going(wait(job, now, f"starts {begins}, in time", mend), due=start)
    closes = NEVER
    if action.window is not None:
        within, closes = window.inside(action.window, now, view.local)
        if not within:
            return Going(wait(job, now, f"only during {action.window.show()}"), due=closes)
    if isinstance(action, Charge) and action.rate_c is not None:
        rate = view.charge_rate(socket.power_w)
        if rate > action.rate_c:
            why = f"the charger works at {rate:.2g} C, wanted at most {action.rate_c:.2g} C"
            mend = put_on(job.pack, "a station with a smaller charger")
            return Going(wait(job, now, why, f"{mend}: {job.wording()}"))
    if isinstance(action, Drain) and action.power_w is not None and socket.power_w > action.power_w:
        why = f"the load draws {socket.power_w:.0f} W, wanted at most {action.power_w:.0f} W"
        return Going(wait(job, now, why, put_on(job.pack, "a station with a smaller load")))
    if job.rounds >= ROUNDS_MAX and job.phase is not Phase.MOVING:
        return Over(job, Ending.FAILED, f"not there after {ROUNDS_MAX} runs")
    return closes


def _wanted_by(action: Charge, view: View) -> Moment | None:
    """When the charge has to be done: None: now; never: no use is planned."""
    if action.by_use:
        return NEVER if view.next_use is None else view.next_use
    if action.by_minute is not None:
        _, edge = window.inside(one_minute(action.by_minute), view.now, view.local)
        return edge
    return None


def _settle(job: Job, view: View) -> Step:
    """After the energy: wait for OFF to be proved, then for the pack to rest, then read it."""
    if not view.off_proven:
        return Going(job)
    if job.side is Side.LOAD and job.stage is not None and job.stage > _target_of(job):
        return waits_to_be_read(job, job.stage, view)
    follows_rest = job.line + 1 < len(job.actions) and isinstance(job.actions[job.line + 1], Rest)
    if job.side is Side.CHARGER or follows_rest or not view.voltage_live:
        return next_line(job, view)
    if view.now < job.since + SETTLE:
        return Going(job, due=job.since + SETTLE)
    if not isinstance(view.soc, Known):
        return next_line(job, view)
    rests_at = view.soc.value_at(view.now)
    if rests_at <= _target_of(job) + SETTLED_WITHIN_POINTS:
        return next_line(job, view)
    if job.rounds >= ROUNDS_MAX:
        return Over(job, Ending.FAILED, _shortfall(job, rests_at))
    return Going(enter(job, Phase.WAITING, view.now, "rested above its target"), due=view.now)


def _target_of(job: Job) -> float:
    action = job.action
    assert isinstance(action, (Drain, Charge))
    return action.target

"""The stations: each intent gets its permit or its veto, and each plug its word.

Knows intents, benches and leases. Does not know why a rule wants anything. Off is what happens
when nothing else does: a plug with no permit this moment is brought off and read back.
"""

from __future__ import annotations

from carerules.domain.decision import Ending, Intent, Notice, StationLocked, Veto
from carerules.domain.frozen import changed
from carerules.domain.moment import (
    DAY,
    HOUR,
    MINUTE,
    NEVER,
    SECOND,
    Duration,
    Moment,
    show_duration,
)
from carerules.domain.pack import SIDES, Plug, Side, Socket, Station
from carerules.domain.quantity import Known, Reading
from carerules.engine import Facts, Job, Phase, forbids, is_past_unseen, moving, wait
from carerules.loop.answering import stands_still
from carerules.loop.conduct import credit, end_job, keep_job
from carerules.loop.looking import facts_of
from carerules.loop.turn import Turn
from carerules.loop.unseen import charge_most, drawn, floor_charge, stand_ins
from carerules.loop.view import off_proven
from carerules.loop.world import pack_on, socket_of
from carerules.safety import (
    DATA_AGE_MAX,
    OFF_ALARM,
    Bench,
    Dwell,
    Outlet,
    Permit,
    PlugState,
    Run,
    astray,
    fault,
    off_overdue,
    permit,
    saw,
    stray_again,
    want_off,
    want_on,
    went_off,
    went_on,
)

RUN_LEAST: Duration = 5 * SECOND
"""A contact is not closed for a permit that ends sooner (a reading that is about to be too old, a
person about to leave): it would open again at once, and wear for nothing (our choice)."""
PAST_UNSEEN = (
    "let that `never` ask for what is now, without `for`, `in last` or `over`: of a voltage that "
    "nobody sees no past is known; or connect its telemetry"
)
ASK_AGAIN: Duration = MINUTE
"""A vetoed intent is put again this often, whatever else happens."""


def steer(turn: Turn, station: Station, intent: Intent | None) -> Moment:
    """Give the station's plugs their word; when the decision must be looked at again."""
    due, was_off = NEVER, off_proven(turn, station)
    for side in SIDES:
        socket = station.socket(side)
        if socket is None:
            continue
        if intent is None or intent.side is not side:
            because = _stopped(turn) or "no job wants it on"
            off(turn, station, socket, because, planned=intent is None)
            continue
        if side is Side.LOAD and (why := stands_still(turn, station, _plug(turn, socket)[1])):
            lock(turn, station.name, why)
        verdict = judge(turn, station, intent)
        if isinstance(verdict, Permit):
            due = verdict.until
            if _lasts(turn, socket, verdict):
                _on(turn, station, socket, intent, verdict)
            else:
                _too_short(turn, intent)
        else:
            due = turn.world.now + ASK_AGAIN
            _refused(turn, station, socket, intent, verdict)
            off(turn, station, socket, verdict.found, planned=verdict.interlock == "handover")
    if intent is None and turn.world.stations[station.name].refused_at is not None:
        turn.set_station(station.name, veto="", refused_at=None)
    if off_proven(turn, station) and not was_off:
        due = turn.world.now  # that it is off is what a job waits for, and it has had its look
    return due


def _lasts(turn: Turn, socket: Socket, granted: Permit) -> bool:
    """Whether it is worth switching on for: what is on already goes on as long as it may."""
    on_at = turn.world.plugs[socket.plug].on_at
    return on_at is not None or granted.until - turn.world.now >= RUN_LEAST


def _too_short(turn: Turn, intent: Intent) -> None:
    """The job says what it waits for, and after a while to people: readings that always come late
    would have it wait for ever."""
    job = _job(turn, intent)
    ours = f"what permits it ends within {show_duration(RUN_LEAST)}"
    mend = f"to {job.wording()}: see that what is read of {job.pack} and its room comes sooner"
    keep_job(turn, job, wait(job, turn.world.now, ours, mend if _has_waited(turn, job) else ""))


def judge(turn: Turn, station: Station, intent: Intent) -> Permit | Veto:
    """The interlock's word on an intent, from everything that is known at this moment."""
    world = turn.world
    state, rated = turn.pack(intent.pack), turn.rated(intent.pack)
    place = world.stations[station.name]
    now = world.now
    bound = world.setup.bound[intent.pack]
    forbidden, is_past = "", False
    if bound.nevers:
        facts = _before_on(facts_of(world, intent.pack), place.dwell, now)
        word = intent.side.verb
        volts = stand_ins(world, intent.pack, word)
        forbidden, _ = forbids(bound, word, state.nevers, facts, now, volts)
        is_past = forbidden != "" and is_past_unseen(bound, word, forbidden, volts)
    load, charger = _outlet(turn, station.load), _outlet(turn, station.charger)
    outlet, other = (load, charger) if intent.side is Side.LOAD else (charger, load)
    assert outlet is not None  # no job asks for what is not there
    verdict = permit(intent, Bench(
        now=now, pack=rated, station=station, readings=state.estimate.readings, room=world.room,
        outlet=outlet, other=other, dwell=place.dwell,
        attended_until=world.attended_until, stopped=_stopped(turn),
        barred=state.retired or state.barred, locked=place.locked, forbidden=forbidden,
        doubt=state.estimate.doubt,
        floor_charge=floor_charge(world, intent.pack, station) if station.blind else 0.0,
        drawn=drawn(world, intent.pack), charge_most=charge_most(world, intent.pack),
        needs_notice=world.setup.site.needs_notice, notice_at=world.notice_proven_at,
    ))  # fmt: skip
    if is_past and isinstance(verdict, Veto) and verdict.interlock == "never":
        return changed(verdict, mend=PAST_UNSEEN)
    return verdict


def _outlet(turn: Turn, socket: Socket | None) -> Outlet | None:
    if socket is None:
        return None
    plug, state = _plug(turn, socket)
    if _flows_unmetered(turn, plug, state):
        state = changed(state, power_w=socket.power_w, power_heard=state.on_heard)
    return Outlet(socket, plug, state)


def _flows_unmetered(turn: Turn, plug: Plug, state: PlugState) -> bool:
    """Whether a load is on whose plug has no meter: its usual power is taken to flow all the while,
    so that what one ON moves is bounded, and a pack that does not answer is noticed."""
    if plug.metered or state.on_at is None:
        return False
    place = socket_of(turn.world, plug.name)
    return place is not None and place[1] is Side.LOAD


def _before_on(facts: Facts, dwell: Dwell, now: Moment) -> Facts:
    """While energy flows by our own hand, how long the pack has rested means before it began."""
    if dwell.rested_at_on is None:
        return facts
    rested = Known(dwell.rested_at_on, 0.0, now, "before this run began")
    return changed(facts, readings={**facts.readings, "pack.rested": rested})


def _value(reading: Reading | None, now: Moment) -> float | None:
    return reading.value_at(now) if isinstance(reading, Known) else None


def _stopped(turn: Turn) -> str:
    world = turn.world
    if world.stopped:
        return f"everything is stopped ({world.stopped})"
    if world.ended:
        return "the service is leaving"
    if world.starting_since is not None:
        return "the service is bringing everything off first"
    return ""


def _on(turn: Turn, station: Station, socket: Socket, intent: Intent, granted: Permit) -> None:
    plug, state = _plug(turn, socket)
    job = _job(turn, intent)
    first = state.on_at is None
    readings = turn.pack(intent.pack).estimate.readings
    if first:
        soc = _value(readings.get("pack.soc"), turn.world.now)
        if soc is not None:
            soc += drawn(turn.world, intent.pack)
        rested = _value(readings.get("pack.rested"), turn.world.now)
        dwell = turn.world.stations[station.name].dwell
        dwell = went_on(dwell, intent, soc, rested)
        turn.set_station(station.name, dwell=dwell, veto="", refused_at=None, first_cell=None)
    lowest_v = _value(readings.get("pack.cell.min"), turn.world.now)
    dwell = turn.world.stations[station.name].dwell
    if (seen := saw(dwell, lowest_v, 0.0 if first else state.energy_wh)) is not dwell:
        turn.set_station(station.name, dwell=seen)
    after, commands = want_on(state, plug, granted, turn.world.now)
    if after is not state:
        turn.set_plug(after)
        turn.decide(*commands)
    keep_job(turn, job, moving(job, turn.world.now, new_run=first))


def off(turn: Turn, station: Station, socket: Socket, because: str, *, planned: bool) -> None:
    """Bring one plug off, and note what that ends: the run's energy, the station's rest."""
    plug, state = _plug(turn, socket)
    now, place = turn.world.now, turn.world.stations[station.name]
    if state.proven_off and not place.unreached and not astray(state, plug):
        return
    if state.on_at is not None:
        end_run(turn, state, now, because, planned=planned)
    if astray(state, plug):
        if stray_again(state, now):
            why = f"somebody else switches plug {plug.name} on again and again"
            lock(turn, station.name, why)
        text = f"{plug.name} of station {station.name} was switched on by somebody else, and is now"
        text += " brought off"
        turn.decide(Notice(f"on {plug.name}", text, urgent=True))
    after, words = want_off(state, plug, because, now)
    if off_overdue(after, now) or _back_and_on(turn, station, after, plug):
        after = _alarm(turn, station, after)
    if after != state:
        turn.set_plug(after)
    turn.decide(*words)
    # Both sides: a charger that is off says nothing of a load that does not answer.
    if turn.world.stations[station.name].unreached and off_proven(turn, station):
        turn.set_station(station.name, locked="", unreached=False)


def end_run(turn: Turn, state: PlugState, end: Moment, why: str, *, planned: bool) -> None:
    """An ON is over, or was at `end`: the station rests, and has it in its day; the job that wanted
    it is credited with what it moved."""
    assert state.on_at is not None
    if (place := socket_of(turn.world, state.name)) is not None:
        dwell = turn.world.stations[place[0].name].dwell
        run = Run(turn.world.now, dwell.pack, end - state.on_at, state.energy_wh)
        dwell = went_off(dwell, turn.world.now, why, planned=planned, run=run)
        turn.set_station(place[0].name, dwell=dwell)
    credit(turn, state.job, state.energy_wh)


UNANSWERED = ": it does not answer"
"""What a lock says that opens by itself when the plug is back, and read back off."""


def _back_and_on(turn: Turn, station: Station, state: PlugState, plug: Plug) -> bool:
    """A plug that did not answer does again, and power flows: that is another alarm, and a lock
    that a person has to open."""
    if not turn.world.stations[station.name].unreached or state.off_at is None:
        return False
    flows = state.power_heard > state.off_at and (state.power_w or 0.0) > plug.off_w
    return state.alarmed and flows and turn.world.now - state.off_at >= OFF_ALARM


def _alarm(turn: Turn, station: Station, state: PlugState) -> PlugState:
    """OFF has not been proved in time: say so loudly, and lock the station."""
    since = state.off_at or 0
    unreached = max(state.on_heard, state.power_heard) <= since
    why = f"plug {state.name} is not proved off"
    if unreached:
        why += UNANSWERED
    elif state.power_heard > since and state.power_w:
        why += f": {state.power_w:.0f} W still flow"
    lock(turn, station.name, why, unreached=unreached)
    text = f"station {station.name}: {why}. Go there and pull the plug by hand"
    pack = pack_on(turn.world, station.name) or ""
    turn.decide(Notice(f"off {state.name}", text, pack, urgent=True))
    return changed(state, alarmed=True)


def lock(turn: Turn, station: str, why: str, *, unreached: bool = False) -> None:
    """The station takes no ON until a person releases it, or the plug that was lost is back."""
    place = turn.world.stations[station]
    if place.locked and not place.unreached:
        return
    turn.set_station(station, locked=why, unreached=unreached)
    turn.decide(StationLocked(station, why))


def _refused(turn: Turn, station: Station, socket: Socket, intent: Intent, veto: Veto) -> None:
    """The job hears of its veto; a fault of the plug may lock the station."""
    plug, state = _plug(turn, socket)
    place = turn.world.stations[station.name]
    passing = veto.interlock in (_PASSING if state.on_at is None else ("handover",))
    word = f"{veto.job} {veto.interlock}"
    if place.refused_at is None:
        turn.set_station(station.name, refused_at=turn.world.now)
    if not passing and place.veto != word:
        turn.set_station(station.name, veto=word)
        turn.decide(veto)
    wrong = fault(state, plug, socket.power_w, turn.world.now)
    if wrong is not None and wrong.lock:
        lock(turn, station.name, f"plug {plug.name}: {wrong.what}")
    if veto.interlock == "answer":  # who hangs there is in doubt: another job would go on with it
        lock(turn, station.name, veto.found)
    job = _job(turn, intent)
    if veto.final:
        ending = Ending.REFUSED if veto.interlock in _BY_DESIGN else Ending.FAILED
        end_job(turn, job, ending, veto.show())
    elif (mend := _mend(turn, station, job, veto)) or not (passing and job.phase is Phase.WAITING):
        keep_job(turn, job, wait(job, turn.world.now, f"{veto.interlock}: {veto.found}", mend))


def _mend(turn: Turn, station: Station, job: Job, veto: Veto) -> str:
    """What somebody is to do about a veto; nothing: it may pass by itself."""
    if veto.mend:
        return f"to {job.wording()}: {veto.mend}" if _has_waited(turn, job) else ""
    refused_at = turn.world.stations[station.name].refused_at or 0
    since = max(refused_at, job.fired_at)
    if turn.world.now - since < SEE_AFTER or veto.interlock == "stop":
        return ""
    told = f"to {job.wording()}: see to it, for {show_duration(SEE_AFTER)} it was refused ("
    # In the same words, though the figures change with each sample.
    return job.mend if job.mend.startswith(told) else f"{told}{veto.found}; wanted {veto.wanted})"


def _has_waited(turn: Turn, job: Job) -> bool:
    """Whether the job waits for so long that people are told what to do: most vetoes right after a
    start pass when the first samples come."""
    return job.phase is Phase.WAITING and turn.world.now - job.since >= BOTHER_AFTER


BOTHER_AFTER: Duration = 2 * DATA_AGE_MAX
"""What is still in the way then will not go by itself."""
SEE_AFTER: Duration = DAY
"""What nobody can be told how to mend (the cold, an author's `never`, a plug that is out of reach)
mostly passes within a day: a night is cold, and a router is mended. A pack that waits for longer is
left full, or empty in the midst of a turn, and somebody is told (our choice)."""
_PASSING = ("plug", "dwell")
"""Before an ON these pass by themselves in seconds or minutes: nothing to tell anybody."""
_BY_DESIGN = ("floor", "ceiling", "pack barred")
"""Interlocks that end a job as they should; any other final veto is a failure to be told."""


def _plug(turn: Turn, socket: Socket) -> tuple[Plug, PlugState]:
    plug, state = turn.world.setup.site.plugs[socket.plug], turn.world.plugs[socket.plug]
    if _flows_unmetered(turn, plug, state):
        assert state.on_at is not None
        energy_wh = socket.power_w * (turn.world.now - state.on_at) / HOUR
        state = changed(state, energy_wh=energy_wh)
    return plug, state


def _job(turn: Turn, intent: Intent) -> Job:
    return next(job for job in turn.pack(intent.pack).jobs if job.id == intent.job)

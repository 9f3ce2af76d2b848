"""What each event does to the world, before anything is decided on it; and which packs it touches.

Knows what is measured, and the clock; what people say is `people`'s. Does not know jobs' next lines
or stations' words; those come after.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import assert_never

from carerules.battery import METER_HOLD_MAX
from carerules.domain.decision import Ending, Notice
from carerules.domain.event import (
    BESIDE,
    Acknowledged,
    Answered,
    Attended,
    Cancelled,
    ChannelProved,
    ChoreAnswered,
    ClockSet,
    Ended,
    Event,
    Happened,
    Placed,
    PlanDropped,
    PlanKept,
    PlugLink,
    PlugReport,
    Proved,
    Rejected,
    Released,
    Sample,
    SiteSample,
    Started,
    Stopped,
    Tick,
    UseDropped,
    UsePlanned,
    Value,
    Wanted,
)
from carerules.domain.moment import NEVER, SECOND, Duration, Moment
from carerules.domain.pack import SIDES, Side, Station
from carerules.domain.quantity import Known
from carerules.engine import Phase, wait
from carerules.loop.charging import hear_charger, into_pack_w
from carerules.loop.conduct import BY_HAND, end_job, keep_job
from carerules.loop.knowledge import take_in, take_metered
from carerules.loop.looking import catch_up, look
from carerules.loop.people import heed
from carerules.loop.steer import end_run
from carerules.loop.turn import Turn
from carerules.loop.world import PackState, pack_on, socket_of
from carerules.safety import OFF_ALARM, hear, link, proof_of, unknown_plug
from carerules.safety import due as plug_due

GONE = "its rule, or a `never` over it, is gone or reads otherwise now"
"""Why a job ends when the service starts on edited rules: what bound it must not fall away."""
ASKED = "a person asked for it before this start, and may have left; ask again"
ASLEEP: Duration = 5 * SECOND
"""A pause of the machine longer than this is treated as a start: OFF first."""
STEPPED: Duration = 2 * SECOND
"""So is a wall clock that was set further than this: a window of the day may begin or end by it."""


def take(turn: Turn, event: Event) -> Iterable[str]:
    """Put the event into the world, and do nothing about it yet; which packs it touches."""
    match event:
        case Sample() | Happened():
            take_in(turn, event)
            return (event.pack,)
        case Tick():
            return _due_packs(turn)
        case PlugReport():
            return _plug_report(turn, event)
        case SiteSample():
            return _site_sample(turn, event)
        case PlugLink(_, plug, up):
            turn.set_plug(link(turn.world.plugs[plug], up=up))
            return _pack_at(turn, plug)
        case Proved(_, plug):
            turn.set_plug(replace(turn.world.plugs[plug], proof=proof_of(event)))
            return _pack_at(turn, plug)
        case (
            Placed() | UsePlanned() | UseDropped() | Attended() | Wanted() | Answered()
            | Cancelled() | Released() | ChoreAnswered() | PlanKept() | PlanDropped() | Stopped()
        ):  # fmt: skip
            return heed(turn, event)
        case Started(heard, offset, _):
            # The clock may have stood still for hours: whoever was there has to say so again.
            local = replace(turn.world.local, offset=offset)
            turn.change(local=local, ended=False, attended_until=0)
            return _off_first(turn, heard)
        case Ended():
            turn.change(ended=True)
            return tuple(turn.world.packs)
        case ClockSet():
            return _clock_set(turn, event)
        case ChannelProved(_, at):
            known = turn.world.notice_proven_at
            turn.change(notice_proven_at=at if known is None else max(known, at))
            return tuple(turn.world.packs)
        case Acknowledged():
            return ()  # for whoever reads the log: what is delivered, the courier decides
        case Rejected(_, origin):
            # A person's own OFF beside us stands in the log; nothing of it was refused.
            turn.change(refused=turn.world.refused + (origin != BESIDE))
            return ()
        case _:
            assert_never(event)


def _due_packs(turn: Turn) -> Iterable[str]:
    now = turn.world.now
    touched = [name for name, state in turn.world.packs.items() if _is_due(state, now)]
    for name in touched:
        if turn.pack(name).due <= now:
            look(turn, name, now)
    for plug, state in turn.world.plugs.items():
        if plug_due(state, now - 1) <= now:
            touched += [name for name in _pack_at(turn, plug) if name not in touched]
    return touched


def _pack_at(turn: Turn, plug: str) -> Sequence[str]:
    """The pack on the plug's station, if there is one."""
    place = socket_of(turn.world, plug)
    name = pack_on(turn.world, place[0].name) if place else None
    return () if name is None else (name,)


def _is_due(state: PackState, now: Moment) -> bool:
    asks = state.ask_at is not None and state.ask_at <= now
    return state.due <= now or state.jobs_due <= now or asks


def _plug_report(turn: Turn, report: PlugReport) -> Iterable[str]:
    before = turn.world.plugs[report.plug]
    turn.set_plug(hear(before, report))
    place = socket_of(turn.world, report.plug)
    name = pack_on(turn.world, place[0].name) if place else None
    if place is not None and place[1] is Side.CHARGER:
        hear_charger(turn, place[0], report)
    if place is None or name is None:
        return ()
    # A plug that is off, was off and stays off says nothing new, once a minute for ever.
    idle = before.proven_off and not report.on and report.power_w == before.power_w
    if idle and not turn.world.setup.bound[name].reads_station:
        return ()
    into_w, usual_w = _flows(turn, place[0], report.plug)
    if report.power_w is not None:
        take_metered(turn, name, report.heard, into_w, usual_w)
    elif (usual_w > 0.0) is not (turn.pack(name).estimate.track.out_w > 0.0):
        take_metered(turn, name, report.heard, None, usual_w)
    else:
        look(turn, name, report.heard)
    return (name,)


def _flows(turn: Turn, station: Station, told: str) -> tuple[float, float]:
    """What the station's plugs say flows into the pack there (W), and what its load draws where it
    is on, after a word of the plug `told`: what one says is no word on the other side."""
    into_w = usual_w = 0.0
    for side in SIDES:
        socket = station.socket(side)
        if socket is None:
            continue
        state = turn.world.plugs[socket.plug]
        holds = turn.world.now - state.power_heard <= METER_HOLD_MAX
        power_w = state.power_w if holds and state.power_w is not None else 0.0
        if side is Side.CHARGER:
            into_w += into_pack_w(turn, station.name, power_w)
        else:
            into_w -= power_w
            # Unknown, at a start: what speaks may be on.
            on = state.on is not False if socket.plug == told else state.on
            usual_w = socket.power_w if on else 0.0
    return into_w, usual_w


def _site_sample(turn: Turn, event: SiteSample) -> Iterable[str]:
    bound = turn.world.setup.bound
    asking = [name for name in turn.world.packs if bound[name].reads_site]
    for name in asking:  # what was due before sees the room as it was
        catch_up(turn, name, turn.world.now)
    room = dict(turn.world.room)
    for value in event.values:
        room[value.signal] = _known(value, event)
    turn.change(room=room)
    for name in asking:
        look(turn, name, turn.world.now)
    # At a station the interlock asks for the room, though no rule does: a job may have to stop. One
    # for which nothing is due waits for somebody, and asks the interlock nothing.
    return [
        *asking,
        *(n for n, state in turn.world.packs.items()
          if state.jobs_due != NEVER and state.station is not None and n not in asking),
    ]  # fmt: skip


def _known(value: Value, event: SiteSample) -> Known:
    return Known(value.value, value.spread, event.at, event.source)


def _clock_set(turn: Turn, event: ClockSet) -> Iterable[str]:
    stepped = abs(event.offset - turn.world.local.offset) > STEPPED
    turn.change(local=replace(turn.world.local, offset=event.offset))
    if stepped or event.asleep > ASLEEP:
        # No look before that: what came due meanwhile fires when everything is off.
        return _off_first(turn, event.heard, awake=event.asleep <= ASLEEP)
    for name in turn.world.packs:
        look(turn, name, event.heard)
    return tuple(turn.world.packs)


def _off_first(turn: Turn, now: Moment, *, awake: bool = False) -> Iterable[str]:
    """Whatever was on before may still be: everything is sought off before anything else.

    `awake`: somebody has sought it off all the while, and only the clock was set.
    """
    site = turn.world.setup.site
    for name, state in turn.world.plugs.items():
        # Whoever sought it off a moment ago sought it since then: the alarm does not start over.
        sought = state.off_at
        overdue = sought is not None and now - sought >= OFF_ALARM
        if sought is None or (overdue and (state.alarmed or not awake)):
            sought = now
        known = unknown_plug(site.plugs[name], sought)
        turn.set_plug(replace(known, up=state.up, proof=state.proof))
        if state.on_at is not None:
            # While nobody renewed it, its own timer has opened it.
            lease_s = site.plugs[name].lease_s
            end = now if lease_s is None else min(now, state.said_at + lease_s * SECOND)
            end_run(turn, state, end, "at a start", planned=True)
    for name in turn.world.packs:
        rules = [(bound.key, bound.rule) for bound in turn.world.setup.bound[name].rules]
        meant = {(key, rule.actions, rule.stop_key) for key, rule in rules}
        for job in turn.pack(name).jobs:
            if (job.key, job.actions, job.stop_key) not in meant:
                # Its `stop when` and all that it was to heed went with the rule.
                why = ASKED if job.rule == BY_HAND else GONE
                end_job(turn, job, Ending.CANCELLED, why)
                if job.started or job.rule == BY_HAND:  # it is left as it is: full, empty, between
                    text = f"{name}: {job.wording()} ended: {why}"
                    turn.decide(Notice(f"job {job.id}", text, name))
            elif job.phase is Phase.MOVING:
                keep_job(turn, job, wait(job, now, "begins anew after a start"))
    turn.change(starting_since=now)
    return tuple(turn.world.packs)

"""What each event does to the world, before anything is decided on it; and which packs it touches.

Knows every event. Does not know jobs' next lines or stations' words; those come after.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import assert_never

from carerules.domain.action import Ask
from carerules.domain.decision import Ending
from carerules.domain.event import (
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
from carerules.domain.moment import MONTH, SECOND, Duration, Moment
from carerules.domain.pack import SIDES, Side, Use
from carerules.domain.quantity import Known
from carerules.engine import Phase, passed, wait
from carerules.loop.charging import hear_charger, into_pack_w
from carerules.loop.conduct import BY_HAND, end_job, end_run, keep_job
from carerules.loop.keeping import hung, keep, seen
from carerules.loop.knowledge import (
    catch_up,
    look,
    take_in,
    take_metered,
)
from carerules.loop.turn import Turn
from carerules.loop.world import PackState, pack_on, put, socket_of, without
from carerules.safety import OFF_ALARM, hear, link, proof_of, unknown_plug
from carerules.safety import due as plug_due

GONE = "its rule, or a `never` over it, is gone or reads otherwise now"
"""Why a job ends when the service starts on edited rules: what bound it must not fall away."""
USE_KEPT: Duration = MONTH
"""A use that began longer ago is forgotten when another is planned: no rule asks for what is past,
and a calendar plans without end."""
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
        case Placed():
            return _placed(turn, event)
        case UsePlanned(heard, use):
            return _use_planned(turn, use, heard)
        case UseDropped(_, name):
            turn.change(uses=without(turn.world.uses, name))
            return _uses_changed(turn)
        case Attended(_, until):
            turn.change(attended_until=until)
            return tuple(turn.world.packs)
        case Wanted(_, pack):
            turn.wanted = event
            return (pack,)
        case Answered() | Cancelled():
            return _about_job(turn, event)
        case Released():
            return _released(turn, event)
        case ChoreAnswered():
            return _chore_answered(turn, event)
        case PlanKept():
            keep(turn, event)
            return ()
        case PlanDropped():
            turn.change(kept=None)
            return ()
        case Stopped(_, by):
            return _stopped(turn, by)
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
        case Rejected():
            turn.change(refused=turn.world.refused + 1)
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
    return state.due <= now or state.jobs_due <= now


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
    if report.power_w is not None:
        draining = place[1] is Side.LOAD
        signed = -report.power_w if draining else into_pack_w(turn, place[0].name, report.power_w)
        take_metered(turn, name, report.heard, signed)
    else:
        look(turn, name, report.heard)
    return (name,)


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
    # At a station the interlock asks for the room, though no rule does: a job may have to stop.
    return [
        *asking,
        *(n for n, state in turn.world.packs.items()
          if state.jobs and state.station is not None and n not in asking),
    ]  # fmt: skip


def _known(value: Value, event: SiteSample) -> Known:
    return Known(value.value, value.spread, event.at, event.source)


def _placed(turn: Turn, event: Placed) -> Iterable[str]:
    """One pack a station: the one that was there is taken off."""
    touched = [event.pack]
    now = event.heard
    if event.station is not None:
        there = pack_on(turn.world, event.station)
        if there is not None and there != event.pack:
            turn.set_pack(there, station=None, placed_at=now)
            touched.append(there)
    turn.set_pack(event.pack, station=event.station, placed_at=now)
    hangs = {place: name for place, name in turn.world.hangs.items() if name != event.pack}
    if event.station is not None:
        hangs[event.station] = event.pack
    turn.change(hangs=hangs)
    for name in touched:
        look(turn, name, now)
    return touched


def _use_planned(turn: Turn, use: Use, heard: Moment) -> Iterable[str]:
    planned = turn.world.uses.items()
    lately = {name: one for name, one in planned if one.start > heard - USE_KEPT}
    turn.change(uses=put(lately, use.name, use))
    return _uses_changed(turn)


def _uses_changed(turn: Turn) -> Iterable[str]:
    touched = []
    for name, state in turn.world.packs.items():
        starts = tuple(sorted(u.start for u in turn.world.uses.values() if name in u.packs))
        if starts != state.uses:
            catch_up(turn, name, turn.world.now)
            turn.set_pack(name, uses=starts)
            look(turn, name, turn.world.now)
            touched.append(name)
    return touched


def _about_job(turn: Turn, event: Answered | Cancelled) -> Iterable[str]:
    """A person's word on a job; one that is over already hears nothing."""
    for name, state in turn.world.packs.items():
        for job in state.jobs:
            if job.id != event.job:
                continue
            if isinstance(event, Cancelled):
                end_job(turn, job, Ending.CANCELLED, "a person called it off")
            elif isinstance(job.action, Ask) and turn.world.now >= job.since + job.action.within:
                end_job(turn, job, Ending.CANCELLED, "the answer came too late")
            elif job.phase is Phase.ASKING:
                following = passed(job, turn.world.now)
                if not event.yes:
                    end_job(turn, job, Ending.CANCELLED, "a person said no")
                elif following is None:
                    end_job(turn, job, Ending.DONE, "a person said yes")
                else:
                    keep_job(turn, job, following)
            return (name,)
    return ()


def _chore_answered(turn: Turn, event: ChoreAnswered) -> Iterable[str]:
    """A person's word on a chore. One that a job waits for is done when the job finds it so; of a
    move of the kept plan "done" says that the pack hangs there now."""
    chore = turn.world.chores.get(event.key)
    if chore is None:
        return ()
    move = hung(turn.world, event)
    if move is not None:
        return _placed(turn, Placed(event.heard, move.pack, move.station))
    if event.until is not None:
        later = replace(chore, later=event.until)
        turn.change(chores=put(turn.world.chores, event.key, later))
    elif not any(job.id == event.key for state in turn.world.packs.values() for job in state.jobs):
        turn.close_chore(event.key)
        seen(turn, event.key)
    return ()


def _released(turn: Turn, event: Released) -> Iterable[str]:
    """A person has looked at the site, a station or a pack."""
    if event.what == "site":
        turn.change(stopped="")
    elif event.what in turn.world.stations:
        turn.set_station(event.what, locked="", unreached=False, veto="")
        _alarm_anew(turn, event.what)
    elif event.what in turn.world.packs:
        turn.set_pack(event.what, barred="", retired="")
        turn.close_chore(f"{event.what} retired")
    return tuple(turn.world.packs)


def _alarm_anew(turn: Turn, station: str) -> None:
    """A plug that is still sought off has its alarm again, and the station its lock: whoever
    released it has not seen that."""
    for side in SIDES:
        socket = turn.world.setup.site.stations[station].socket(side)
        state = None if socket is None else turn.world.plugs[socket.plug]
        if state is not None and state.alarmed and state.off_at is not None:
            turn.set_plug(replace(state, alarmed=False))


def _stopped(turn: Turn, by: str) -> Iterable[str]:
    turn.change(stopped=by)
    for name in turn.world.packs:
        for job in turn.pack(name).jobs:
            end_job(turn, job, Ending.CANCELLED, f"everything was stopped ({by})")
    return tuple(turn.world.packs)


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
                end_job(turn, job, Ending.CANCELLED, ASKED if job.rule == BY_HAND else GONE)
            elif job.phase is Phase.MOVING:
                keep_job(turn, job, wait(job, now, "begins anew after a start"))
    turn.change(starting_since=now)
    return tuple(turn.world.packs)

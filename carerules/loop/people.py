"""What people say, put into the world: where a pack is, what is planned, what they want or forbid.

Knows every entry that a person makes. Does not know by which door it came, and decides nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TypeAlias, assert_never

from carerules.domain.action import Ask
from carerules.domain.decision import Ending, Notice
from carerules.domain.event import (
    Answered,
    Attended,
    Cancelled,
    ChoreAnswered,
    Placed,
    PlanDropped,
    PlanKept,
    Released,
    Stopped,
    UseDropped,
    UsePlanned,
    Wanted,
)
from carerules.domain.moment import MONTH, Duration, Moment
from carerules.domain.pack import SIDES, Use
from carerules.domain.quantity import Truth
from carerules.engine import Phase, passed
from carerules.loop.conduct import end_job, keep_job
from carerules.loop.foresight import moves_energy
from carerules.loop.keeping import keep, seen
from carerules.loop.knowledge import take_metered
from carerules.loop.looking import catch_up, look
from carerules.loop.turn import Turn
from carerules.loop.world import pack_on, put, without

USE_KEPT: Duration = MONTH
"""A use that began longer ago is forgotten when another is planned: no rule asks for what is past,
and a calendar plans without end."""

Said: TypeAlias = (
    Placed | UsePlanned | UseDropped | Attended | Wanted | Answered | Cancelled | Released
    | ChoreAnswered | PlanKept | PlanDropped | Stopped
)  # fmt: skip


def heed(turn: Turn, event: Said) -> Iterable[str]:
    """Put a person's word into the world; which packs it touches."""
    match event:
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
        case _:
            assert_never(event)


def _placed(turn: Turn, event: Placed) -> Iterable[str]:
    """One pack a station: the one that was there is taken off."""
    touched = [event.pack]
    now = event.heard
    if event.station is not None:
        there = pack_on(turn.world, event.station)
        if there is not None and there != event.pack:
            _flow_ends(turn, there, now)
            turn.set_pack(there, station=None, placed_at=now)
            touched.append(there)
    if turn.pack(event.pack).station != event.station:
        _flow_ends(turn, event.pack, now)
    turn.set_pack(event.pack, station=event.station, placed_at=now)
    hangs = {place: name for place, name in turn.world.hangs.items() if name != event.pack}
    if event.station is not None:
        hangs[event.station] = event.pack
    turn.change(hangs=hangs)
    for name in touched:
        look(turn, name, now)
    return touched


def _flow_ends(turn: Turn, name: str, now: Moment) -> None:
    """The pack hangs on that plug no more, whose next word is not about it."""
    track = turn.pack(name).estimate.track
    if track.cell_w or track.out_w:
        take_metered(turn, name, now, 0.0)


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
    """A person's word on a chore. One that a job waits for is done when the job finds it so."""
    chore = turn.world.chores.get(event.key)
    if chore is None:
        return ()
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
        _tell_what_stays(turn)
    elif event.what in turn.world.stations:
        turn.set_station(event.what, locked="", unreached=False, veto="", refused_at=None)
        _alarm_anew(turn, event.what)
    elif event.what in turn.world.packs:
        turn.set_pack(event.what, barred="", retired="")
        turn.close_chore(f"{event.what} retired")
    return tuple(turn.world.packs)


def _tell_what_stays(turn: Turn) -> None:
    """A stop has ended all jobs, and a rule that has fired fires no more while it stays true: what
    it would have moved lies as it is, and whoever released the site would not think so."""
    left = [
        f"{name} ({bound.rule.name})"
        for name, state in turn.world.packs.items()
        for bound, rule in zip(turn.world.setup.bound[name].rules, state.rules, strict=True)
        if rule.truth is Truth.YES and not rule.armed and moves_energy(bound.rule.actions)
        and all(job.key != bound.key for job in state.jobs)
    ]  # fmt: skip
    if left:
        text = f"nothing is done any more for {', '.join(left)}: what fired before the stop fires "
        text += "again when it has been no in between; see to these by hand (`carerules want`)"
        turn.decide(Notice("released site", text))


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

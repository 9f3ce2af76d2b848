"""A world learned from facts: what the journal has of events and of what was decided on them.

Knows which decisions are facts that last. Does not know how to decide. For facts from before a
rule's time, and for a start that has no snapshot to begin with.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from carerules.domain.decision import (
    ChoreClosed,
    ChoreOpened,
    Fired,
    Marked,
    OffProven,
    Outcome,
    PackBarred,
    StationLocked,
    SwitchOff,
    SwitchOn,
)
from carerules.domain.event import Event, PlugReport
from carerules.domain.moment import NEVER
from carerules.domain.pack import Side, Station
from carerules.loop.asking import note_charge, unread_key
from carerules.loop.charging import forget_untold
from carerules.loop.conduct import close_told_chores
from carerules.loop.intake import take
from carerules.loop.keeping import follow
from carerules.loop.knowledge import FROM_PLUG, bar, take_mark, take_metered
from carerules.loop.looking import has_fired
from carerules.loop.steer import UNANSWERED, end_run
from carerules.loop.turn import Turn
from carerules.loop.world import World, pack_on, socket_of
from carerules.safety import ran


def answered(world: World) -> World:
    """The world without the chores that its rules no longer ask for: what entries that wait for a
    service will take off the list."""
    turn = Turn(world, world.now)
    for name in world.packs:
        close_told_chores(turn, name)
    return turn.done()


def learn(world: World, event: Event, decided: Iterable[Outcome]) -> World:
    """The world that knows the event, and nothing done about it.

    Rules look on, hold and remember, but none fires, no job goes on and no plug is spoken to.
    `decided` is what the journal has of what was decided then: what a job marked, which packs were
    barred, which rules fired, what was put on the to-do list and how long a plug was on are facts
    too.
    """
    turn = Turn(world, event.heard)
    decided = tuple(decided)
    turn.change(starting_since=event.heard)
    touched = [*take(turn, event)]
    forget_untold(turn)
    if isinstance(event, PlugReport) and event.on:
        _still_on(turn, event.plug)
    asked: list[str] = []
    for outcome in decided:
        match outcome:
            case Marked(pack, what) if pack in turn.world.packs:
                take_mark(turn, pack, what, _marked_by(turn, event))
                touched.append(pack)
            case PackBarred(pack, retired, why) if pack in turn.world.packs:
                bar(turn, pack, why, retired=retired)
                touched.append(pack)
            case Fired(key=key, pack=pack) if pack in turn.world.packs:
                has_fired(turn, pack, key)
            case ChoreOpened() if outcome.pack in turn.world.packs:
                turn.open_chore(outcome.key, outcome.pack, outcome.text)
                if outcome.key == unread_key(outcome.pack):
                    asked.append(outcome.pack)
            case ChoreClosed(key):
                turn.close_chore(key)
            case SwitchOn(plug=plug, renewal=False) if plug in turn.world.plugs:
                _went_on(turn, plug)
            case SwitchOff(plug=plug, because=why, again=0) if plug in turn.world.plugs:
                _went_off(turn, plug, why)
            case StationLocked(station, why) if station in turn.world.stations:
                turn.set_station(station, locked=why, unreached=why.endswith(UNANSWERED))
            case OffProven(plug) if (place := socket_of(turn.world, plug)) is not None:
                station = place[0].name
                if turn.world.stations[station].unreached:
                    turn.set_station(station, locked="", unreached=False)
            case _:
                pass
    for name in touched:
        note_charge(turn, name)
    for name in asked:
        turn.set_pack(name, ask_at=NEVER)
    if turn.world.kept is not None or world.kept is not None:
        follow(turn, world, event, decided)
    return turn.world


def _marked_by(turn: Turn, event: Event) -> str:
    """Who marked something in the turn of this event: the plug of a charger that was heard, or a
    rule."""
    if not isinstance(event, PlugReport):
        return "a rule"
    place = socket_of(turn.world, event.plug)
    return f"{FROM_PLUG}{event.plug}" if place and place[1] is Side.CHARGER else "a rule"


def _went_on(turn: Turn, plug: str) -> None:
    """It counts in the plug's proof, and its run, once it is over, in the station's day."""
    now, state, place = turn.world.now, turn.world.plugs[plug], socket_of(turn.world, plug)
    state = replace(state, proof=ran(state.proof), on_at=now, off_at=None)
    turn.set_plug(replace(state, said_at=now, energy_wh=0.0))
    if place is not None:
        _flows(turn, place[0], place[1])
        name = place[0].name
        dwell = replace(turn.world.stations[name].dwell, pack=pack_on(turn.world, name) or "")
        turn.set_station(name, dwell=dwell)


def _flows(turn: Turn, station: Station, side: Side) -> None:
    """A load draws its usual power until its meter says otherwise. What that said is forgotten in
    time, and what somebody said of the charge before is not."""
    name, load = pack_on(turn.world, station.name), station.load if side is Side.LOAD else None
    if load is not None and name is not None and turn.world.setup.site.plugs[load.plug].metered:
        take_metered(turn, name, turn.world.now, -load.power_w, load.power_w)


def _still_on(turn: Turn, plug: str) -> None:
    """Renewals are not journalled; a plug's word that it is on shows that it was renewed."""
    state = turn.world.plugs[plug]
    if state.on_at is not None:
        turn.set_plug(replace(state, said_at=turn.world.now))


def _went_off(turn: Turn, plug: str, why: str) -> None:
    state = turn.world.plugs[plug]
    if state.on_at is not None:
        end_run(turn, state, turn.world.now, why, planned=True)
        place = socket_of(turn.world, plug)
        name = pack_on(turn.world, place[0].name) if place and place[1] is Side.LOAD else None
        if name is not None:  # its plug's word of that is forgotten in time, too
            take_metered(turn, name, turn.world.now, 0.0)
        turn.set_plug(replace(state, on_at=None, off_at=turn.world.now))

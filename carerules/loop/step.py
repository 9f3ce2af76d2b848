"""One pure step: an event comes, the world moves on, and something may have been decided.

Knows the order in which the rooms are asked: estimate, rules, jobs, interlock, plugs. Does not
know clocks, sockets or files; the same events always give the same decisions, so that the live
service, a rehearsal, a replay and a campaign of faults all run this code.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

from carerules.domain.decision import Intent, Outcome
from carerules.domain.event import Event, PlugReport, Sample
from carerules.domain.moment import NEVER, SECOND, Duration, Moment
from carerules.domain.pack import Station
from carerules.loop.asking import ask_to_read, note_charge
from carerules.loop.charging import tell_charge
from carerules.loop.conduct import close_told_chores, conduct, open_jobs, open_wanted
from carerules.loop.intake import take
from carerules.loop.keeping import follow
from carerules.loop.looking import look
from carerules.loop.steer import steer
from carerules.loop.turn import Turn
from carerules.loop.world import PackState, World
from carerules.safety import due as plug_due

START_WITHIN: Duration = 10 * SECOND
"""SAFETY 5: so long is waited for every plug to be proved off before the first rule runs; one that
does not answer keeps its station locked, the others go on."""
ROUNDS_A_TURN = 4
"""An event that a job marks may make another rule true, in the same turn, so many times over; the
rest is found at the next look."""


def step(world: World, event: Event) -> tuple[World, Sequence[Outcome]]:
    """The world after the event, and what was decided. Pure.

    `event.heard` is never earlier than the world's own now: the shell stamps events as it takes
    them. A pack, plug or station that the site does not know is our mistake: doors parse names.
    """
    assert event.heard >= world.now
    turn = Turn(world, event.heard)
    touched = _recounted(turn, take(turn, event))
    if isinstance(event, PlugReport):
        touched = (*touched, *tell_charge(turn, event.plug))
    if turn.world.starting_since is not None:
        touched = _start_over(turn, touched)
    _act(turn, event, touched, _unmoved(world, turn, event))
    if turn.world.kept is not None or world.kept is not None:
        follow(turn, world, event, turn.outcomes)
    return turn.done(), turn.outcomes


def next_due(world: World) -> Moment:
    """When the world must be told the time at the latest, though nothing else is heard."""
    due = min((due_of(world, state) for state in world.packs.values()), default=NEVER)
    for plug in world.plugs.values():
        due = min(due, plug_due(plug, world.now))
    return min(due, due_of_site(world))


def due_of_site(world: World) -> Moment:
    """When the world must be told the time for what is no pack's and no plug's: a start that is to
    be over, the kept plan."""
    due = NEVER if world.starting_since is None else world.starting_since + START_WITHIN
    return due if world.kept is None else min(due, world.kept.due(world.now))


def due_of(world: World, state: PackState) -> Moment:
    """When one pack must be looked at: its rules by themselves, a job that goes on, or to ask a
    person for a reading."""
    due = state.due
    if world.starting_since is not None or world.ended:
        return due
    if state.ask_at is not None and state.ask_at < due:
        due = state.ask_at
    return min(due, state.jobs_due)


def _recounted(turn: Turn, touched: Iterable[str]) -> Iterable[str]:
    """Where a number of packs has changed, whoever asks for it looks again. Once: what changes
    another number by that is found at the next look."""
    if not turn.recounted:
        return touched
    turn.recounted = False
    bound = turn.world.setup.bound
    asking = [name for name in turn.world.packs if bound[name].reads_counts]
    for name in asking:
        look(turn, name, turn.world.now)
    return (*touched, *asking)


def _start_over(turn: Turn, touched: Iterable[str]) -> Iterable[str]:
    """Whether the start is over: every plug proved off, or those that do not answer given up."""
    since = turn.world.starting_since
    assert since is not None
    late = turn.world.now - since >= START_WITHIN
    if not late and not all(plug.proven_off for plug in turn.world.plugs.values()):
        return touched
    turn.change(starting_since=None)
    for name in turn.world.packs:
        look(turn, name, turn.world.now)
    return tuple(turn.world.packs)


def _unmoved(before: World, turn: Turn, event: Event) -> str | None:
    """The pack that hangs nowhere, and whose jobs see nothing in this sample that they had not seen
    before: a shelf of packs that wait for somebody costs no more than one without jobs."""
    if not isinstance(event, Sample):
        return None
    was, state = before.packs[event.pack], turn.pack(event.pack)
    if not state.jobs or state.station is not None or turn.world.now >= state.jobs_due:
        return None
    same = state.rules is was.rules and state.jobs is was.jobs and state.soc is was.soc
    return event.pack if same and not turn.fired else None


def _act(turn: Turn, event: Event, touched: Iterable[str], unmoved: str | None) -> None:
    """Open jobs for what became true, carry jobs on, and give the stations their word."""
    wants: dict[str, Intent] = {}
    names = dict.fromkeys(touched)
    # While everything is brought off, at a start or on leaving, jobs stand where they are.
    at_work = turn.world.starting_since is None and not turn.world.ended
    if at_work:
        for _ in range(ROUNDS_A_TURN):
            if turn.fired:
                open_jobs(turn)
            if turn.wanted:
                open_wanted(turn)
            wants.clear()
            for name in names:
                state = turn.pack(name)
                # Also when its last job has just ended: nothing is due for it any more.
                at_it = state.jobs or state.jobs_due != NEVER
                intent = conduct(turn, name) if at_it and name != unmoved else None
                if turn.world.chores:
                    close_told_chores(turn, name)
                if intent is not None:
                    wants[intent.station] = intent
            if not turn.fired:
                break
        else:
            open_jobs(turn)
    for name in names:
        note_charge(turn, name)
        if at_work:
            ask_to_read(turn, name)
    for station, on_it in _to_steer(turn, event, names):
        due = steer(turn, station, wants.get(station.name))
        if on_it is not None and due < turn.pack(on_it).jobs_due:
            turn.set_pack(on_it, jobs_due=due)


def _to_steer(
    turn: Turn, event: Event, names: Collection[str]
) -> Sequence[tuple[Station, str | None]]:
    """The stations that get their word, each with the pack on it: those of the packs that were
    touched, and those without a pack, which nobody else looks after. A sample says nothing of
    those, and a plug of its own alone: what else they wait for comes due."""
    stations, hangs = turn.world.setup.site.stations, turn.world.hangs
    if isinstance(event, (Sample, PlugReport)):
        places = [(turn.pack(name).station, name) for name in names]
        found: list[tuple[Station, str | None]] = [
            (stations[place], name) for place, name in places if place is not None
        ]
        if isinstance(event, PlugReport):
            own = turn.world.setup.sockets.get(event.plug)
            if own is not None and own[0].name not in hangs:
                found.append((own[0], None))
        return found
    return [
        (station, name)
        for place, station in stations.items()
        if (name := hangs.get(place)) is None or name in names
    ]

"""A pack of whose charge nothing is known: after a while a person is asked to read it.

Knows charges, and since when they are unknown. Does not know rules or jobs' lines. While nothing
is known of its charge no rule about that comes true, and nobody would hear of the pack.
"""

from __future__ import annotations

from carerules.domain.decision import ChoreOpened
from carerules.domain.moment import DAY, NEVER, Duration
from carerules.domain.quantity import Known
from carerules.loop.turn import Turn
from carerules.loop.world import chemistry_of

ASK_AFTER: Duration = DAY
"""So long nothing is known before anybody is asked: telemetry speaks within minutes, and whoever
comes home with a pack charges or reads it on that day (our choice)."""


def unread_key(name: str) -> str:
    """The key of the pack's chore."""
    return f"{name} unread"


def note_charge(turn: Turn, name: str) -> None:
    """Take down from when on a person is to be asked, once nothing is known of the pack's charge; a
    reading ends it. A barred pack waits for a person anyway, a retired one for nobody, and one with
    a job that is on the list is asked for there."""
    state = turn.pack(name)
    wanted = not (
        isinstance(state.soc, Known)
        or state.barred
        or state.retired
        or any(job.id in turn.world.chores for job in state.jobs)
    )
    if wanted is (state.ask_at is not None):
        return
    if state.ask_at is not None:
        turn.close_chore(unread_key(name))
    turn.set_pack(name, ask_at=turn.world.now + ASK_AFTER if wanted else None)


def ask_to_read(turn: Turn, name: str) -> None:
    """Put it on the to-do list if that is due: once, for a person may say that it is done with."""
    ask_at = turn.pack(name).ask_at
    if ask_at is None or ask_at > turn.world.now:
        return
    turn.set_pack(name, ask_at=NEVER)
    # A day after the first start it may be thirty packs: all are listed, and one is told of.
    told = any(
        isinstance(one, ChoreOpened) and one.key == unread_key(one.pack) for one in turn.outcomes
    )
    turn.open_chore(unread_key(name), name, _words(turn, name), tell=not told)


def _words(turn: Turn, name: str) -> str:
    used = turn.pack(name).estimate.track.used
    why = f"nothing is known of its charge{' since it was used' if used else ''}"
    if chemistry_of(turn.world, turn.rated(name)).shows_charge:
        return f"read {name}'s voltage and enter it, {why}: `carerules record {name} voltage`"
    return f"charge {name} full and say so, {why}: `carerules record {name} charged`"

"""The desk: what people enter while the service runs, taken up and answered.

Knows entries and the journal that they wait in. Does not know how they were typed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace

from carerules.adapters import (
    HAPPENINGS,
    Attend,
    ChoreAnswer,
    DamagedRowError,
    Entry,
    KeptJournal,
    Measured,
    Recorded,
    WaitingEntry,
    Want,
    to_events,
)
from carerules.domain.decision import Outcome
from carerules.domain.event import A_PERSON, Event, Happened, Placed, Rejected, UseDropped
from carerules.domain.moment import SECOND, Duration, Moment
from carerules.loop import World, move_of, pack_on, stranger, untimely
from carerules.report import line_of

LOOK_EVERY: Duration = SECOND // 2
"""A person waits for an answer; the look costs some ten microseconds."""
ENTRIES_A_LOOK = 16
"""More than hands enter in half a second; the rest is taken up at the next look."""


NOW_WITHIN_MS = 60_000
"""An entry that names a time this close to when it was made means now. On a virtual site, whose
calendar is its own, it then means the virtual now."""


class Desk:
    """Takes entries up in the order in which they were made, each once."""

    def __init__(self, journal: KeptJournal, real_ms: Callable[[], int]) -> None:
        self._journal, self._real_ms = journal, real_ms
        self._looked = -LOOK_EVERY

    def waiting(self) -> Sequence[WaitingEntry]:
        """Entries not yet answered; looked for twice a second. Raises `JournalError`."""
        now = self._real_ms()
        if now - self._looked < LOOK_EVERY:
            return ()
        self._looked = now
        self._journal.check_in_place()
        return self._journal.waiting_entries(on_damage=self._damaged)[:ENTRIES_A_LOOK]

    def _damaged(self, row: DamagedRowError) -> None:
        """An entry that does not read back is answered, or it would wait for ever."""
        self._journal.answer_entry(row.seq, f"refused: it does not read back: {row}")

    def answer(self, one: WaitingEntry, text: str) -> None:
        """Say what became of an entry, in the same commit as its events."""
        self._journal.answer_entry(one.id, text)


def events_of(one: WaitingEntry, heard: Moment, world: World) -> tuple[Event, ...]:
    """The events of an entry taken up at `heard`; what the site does not know is refused."""
    entry = one.entry
    if world.setup.site.virtual and isinstance(entry, (Recorded, Measured, Attend, Want)):
        made = entry.at.timestamp() * 1_000
        if abs(made - one.written_wall_ms) < NOW_WITHIN_MS:
            entry = replace(entry, at=world.local.read(heard))
    return entry_events(entry, heard, world)


def entry_events(entry: Entry, heard: Moment, world: World) -> tuple[Event, ...]:
    """The events of an entry heard now; what the site does not know or cannot begin is refused."""
    events = (*_done_with(entry, heard, world), *to_events(entry, heard, world.local))
    unknown = [what for event in events if (what := stranger(world.setup, event))]
    if unknown:
        return (Rejected(heard, "entry", f"the running site has no {unknown[0]}"),)
    late = [why for event in events if (why := untimely(world, event) or _planned_by(world, event))]
    return (Rejected(heard, "entry", late[0]),) if late else events


_LOOKED = re.compile(r"`carerules record (\S+) (inspected|calibrated)`")
"""An entry that a chore's words name, and that its being done says by itself. Not `charged`: by
that the charge is reckoned, and a button pressed too soon would say that a pack is full."""


def _done_with(entry: Entry, heard: Moment, world: World) -> tuple[Event, ...]:
    """What else a person says with "done". On a move of the kept plan: the pack hangs there now. On
    a chore whose words name the entry of a look: that entry, or its rule would never ask again."""
    if not isinstance(entry, ChoreAnswer) or entry.minutes is not None:
        return ()
    move = move_of(world, entry.key, entry.text)
    if move is not None:
        return (Placed(heard, move.pack, move.station),)
    chore = world.chores.get(entry.key)
    named = None if chore is None else _LOOKED.search(chore.text)
    if chore is None or named is None or named[1] != chore.pack:
        return ()
    (what,) = HAPPENINGS[named[2]]
    return (Happened(heard, heard, chore.pack, what, A_PERSON),)


def _planned_by(world: World, event: Event) -> str:
    """Why a use cannot be called off: the calendar that planned it would plan it anew."""
    use = world.uses.get(event.name) if isinstance(event, UseDropped) else None
    if use is None or not use.calendar:
        return ""
    return f"calendar {use.calendar} plans `{use.name}`: take it out there, or it is planned anew"


def taken_off(events: Sequence[Event], world: World) -> str:
    """Who is to hang nowhere, because another is said to hang there now; empty: nobody."""
    for event in events:
        if isinstance(event, Placed) and event.station is not None:
            there = pack_on(world, event.station)
            if there is not None and there != event.pack:
                return f"{there}, which was there, is on no station now"
    return ""


def answer_of(events: Sequence[Event], outcomes: Sequence[Outcome], off: str = "") -> str:
    """What an entry led to, in a line or two; `off`: the words of `taken_off`."""
    refused = [event.why for event in events if isinstance(event, Rejected)]
    if refused:
        return f"refused: {'; '.join(refused)}"
    lines = [line for line in map(line_of, outcomes) if line is not None]
    words = "; ".join(filter(None, (off, *(line.text for line in lines[:4]))))
    return f"taken in: {words}" if words else "taken in"

"""Reading a journal: events, outcomes, snapshots, plans, entries and their answers.

Knows rows. Does not know who writes them, and writes nothing.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import partial
from typing import Any, TypeVar

from carerules.adapters.clock import ClockAnchor
from carerules.adapters.entry import Entry
from carerules.adapters.records import RecordError, load_entry, load_event, load_outcome
from carerules.adapters.rows import Rows
from carerules.domain.decision import OffProven, Outcome, SwitchOn
from carerules.domain.event import Event
from carerules.domain.frozen import guarded
from carerules.domain.ports import JournalError

PAGE_ROWS = 1_000  # rows fetched at a time, so that reading a year does not hold the file

T = TypeVar("T")


class DamagedRowError(JournalError):
    """One row does not read back; those around it may."""

    def __init__(self, name: str, table: str, seq: int, why: str) -> None:
        super().__init__(
            f"{name}: row {seq} of {table} does not read back: {why}",
            "it was written by another version, or it is damaged; put back a backup",
        )
        self.seq = seq


OnDamage = Callable[[DamagedRowError], None]


@guarded
class WaitingEntry:
    """A manual entry that the service has not answered yet."""

    id: int
    written_wall_ms: int
    entry: Entry


class JournalReader:
    """What anybody may read; what is not committed does not show."""

    def __init__(self, rows: Rows) -> None:
        self._rows = rows
        self._answered: set[int] = set()

    def events(
        self, after_seq: int = 0, *, on_damage: OnDamage | None = None
    ) -> Iterator[tuple[int, Event]]:
        """Events in order with their numbers; a damaged row raises, or is told and left out."""
        query = "SELECT seq, kind, body FROM events WHERE seq > ? ORDER BY seq LIMIT ?"
        for seq, kind, body in self._pages(query, after_seq):
            loaded = self._load("events", seq, partial(load_event, kind, body), on_damage)
            if loaded is not None:
                yield seq, loaded

    def recent(self, count: int) -> list[tuple[int, Event]]:
        """The newest committed events with their numbers, oldest of them first."""
        newest = self._one("SELECT coalesce(max(seq), 0) FROM events")[0]
        return list(self.events(max(0, newest - max(0, count))))

    def outcomes(
        self,
        after_seq: int = 0,
        newest: int | None = None,
        *,
        on_damage: OnDamage | None = None,
    ) -> Iterator[tuple[int, Outcome]]:
        """Outcomes of the events after `after_seq`, each with its event's number, in order.

        `newest`: only so many of the last ones.
        """
        first = 0 if newest is None else self._outcome_before(after_seq, newest)
        query = (
            "SELECT seq, event_seq, kind, body FROM outcomes "
            f"WHERE seq > ? AND event_seq > {int(after_seq)} ORDER BY seq LIMIT ?"
        )
        for seq, event_seq, kind, body in self._pages(query, first):
            read = self._load("outcomes", seq, partial(load_outcome, kind, body), on_damage)
            if read is not None:
                yield event_seq, read

    def _outcome_before(self, after_seq: int, newest: int) -> int:
        query = (
            "SELECT coalesce(min(seq) - 1, 0) FROM (SELECT seq FROM outcomes WHERE event_seq > ? "
            "ORDER BY seq DESC LIMIT ?) AS newest"
        )
        found: int = self._one(query, after_seq, max(0, newest))[0]
        return found if newest > 0 else (1 << 62)

    def snapshots(self) -> list[tuple[int, str]]:
        """The states kept and the number of the event of each, newest first: the next one is for
        when the first cannot be read."""
        return self._all("SELECT seq, body FROM snapshots ORDER BY seq DESC")

    def plan(self, fingerprint: str) -> dict[str, str] | None:
        """The texts that these rules were loaded from, by name; None: never seen. Raises
        `DamagedRowError`."""
        rows = self._all("SELECT sources FROM plans WHERE fingerprint = ?", fingerprint)
        if not rows:
            return None
        try:
            sources = json.loads(rows[0][0])
            return {str(name): str(text) for name, text in sources.items()}
        except (ValueError, AttributeError) as error:
            raise DamagedRowError(self._rows.name, "plans", 0, "no table of texts") from error

    def clock(self) -> ClockAnchor | None:
        """The clocks as they read at the last commit."""
        rows = self._all("SELECT line, wall_ms, boot_ms, boot_id FROM meta")
        return ClockAnchor(*rows[0]) if rows else None

    def left_on(self) -> list[str]:
        """The plugs that went on since the last start and were not read back off after it; what is
        damaged is not counted."""
        rows = self._all(
            "SELECT kind, body FROM outcomes WHERE kind IN ('switch-on', 'off-proven') AND "
            "event_seq >= (SELECT coalesce(max(seq), 0) FROM events WHERE kind = 'started') "
            "ORDER BY seq"
        )
        on: dict[str, None] = {}
        for kind, body in rows:
            with suppress(RecordError):
                match load_outcome(kind, body):
                    case SwitchOn(plug=plug):
                        on[plug] = None
                    case OffProven(plug):
                        on.pop(plug, None)
                    case _:
                        pass
        return list(on)

    def waiting_entries(self, *, on_damage: OnDamage | None = None) -> list[WaitingEntry]:
        """What people left and the service has not answered, oldest first."""
        rows = self._all(
            "SELECT id, written_wall_ms, kind, body FROM entries WHERE answer IS NULL ORDER BY id"
        )
        waiting = []
        for number, written, kind, body in rows:
            if number in self._answered:
                continue
            entry = self._load("entries", number, partial(load_entry, kind, body), on_damage)
            if entry is not None:
                waiting.append(WaitingEntry(number, written, entry))
        return waiting

    def entry_answer(self, number: int) -> str | None:
        """What the service said to an entry; None: nothing yet, or no such entry."""
        rows = self._all("SELECT answer FROM entries WHERE id = ?", number)
        return rows[0][0] if rows else None

    def _load(
        self, table: str, seq: int, load: Callable[[], T], on_damage: OnDamage | None
    ) -> T | None:
        try:
            return load()
        except RecordError as error:
            row = DamagedRowError(self._rows.name, table, seq, str(error))
            if on_damage is None:
                raise row from error
            on_damage(row)
            return None

    def _pages(self, query: str, after: int) -> Iterator[tuple[Any, ...]]:
        while page := self._all(query, after, PAGE_ROWS):
            yield from page
            after = page[-1][0]

    def _all(self, query: str, *row: object) -> list[Any]:
        return self._rows.all(query, *row)

    def _one(self, query: str, *row: object) -> tuple[Any, ...]:
        found: tuple[Any, ...] = self._all(query, *row)[0]
        return found

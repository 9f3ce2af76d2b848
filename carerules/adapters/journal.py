"""The facts in order, durable before anything is done about them.

Knows what is kept and when it is durable. Does not know what it means.

One process owns a journal and writes events; any number read it and leave manual entries. What is
written waits in memory until `commit`, which takes all of it down in one transaction, or none.
When a commit fails, what waits goes on waiting: the next one takes it down as well.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from carerules.adapters import store
from carerules.adapters.clock import ClockAnchor
from carerules.adapters.entry import Entry
from carerules.adapters.records import (
    RecordError,
    dump_entry,
    dump_event,
    dump_outcome,
    load_entry,
    load_event,
    load_outcome,
)
from carerules.domain.decision import Outcome
from carerules.domain.event import Event
from carerules.domain.ports import JournalError

PENDING_ROWS_MAX = 20_000  # some minutes of a busy site without a disk, about 20 MiB of memory
ENTRIES_WAITING_MAX = 1_000  # more than a person writes while the service is down
SNAPSHOTS_KEPT = 3  # the last may be of a version that cannot be read back; two more to fall to
PAGE_ROWS = 1_000  # rows fetched at a time, so that reading a year does not hold the file
ANSWER_CHARS_MAX = 1_000

T = TypeVar("T")


class DamagedRowError(JournalError):
    """One row does not read back; those around it may."""

    def __init__(self, path: Path, table: str, seq: int, why: str) -> None:
        super().__init__(
            f"journal `{path}`: row {seq} of {table} does not read back: {why}",
            "it was written by another version, or the file is damaged; put back a backup",
        )
        self.seq = seq


OnDamage = Callable[[DamagedRowError], None]


@dataclass(frozen=True, slots=True)
class WaitingEntry:
    """A manual entry that the service has not answered yet."""

    id: int
    written_wall_ms: int
    entry: Entry


class SqliteJournal:
    """The journal in one SQLite file. One thread at a time; satisfies `domain.ports.Journal`."""

    def __init__(self, path: Path, database: sqlite3.Connection, lock: int | None) -> None:
        """Not called by outsiders: `open` it."""
        self._path, self._database, self._lock = path, database, lock
        self._pending: list[tuple[str, tuple[object, ...]]] = []
        self._answered: set[int] = set()
        self._last_seq: int = self._one("SELECT coalesce(max(seq), 0) FROM events")[0]

    @classmethod
    def open(cls, path: Path | str, *, owner: bool) -> SqliteJournal:
        """Open the journal, make it where there is none; 0600, its folder 0700 when made here.

        The owner holds it against every other owner: raises `JournalBusy` with the other's pid.
        Everything else that is wrong raises `JournalError` with what and mend.
        """
        path = Path(path)
        lock = store.own(path) if owner else None
        try:
            database = store.connect(path, owner=owner)
            try:
                with store.faults(path):
                    return cls(path, database, lock)
            except BaseException:
                database.close()
                raise
        except BaseException:
            if lock is not None:
                os.close(lock)
            raise

    def close(self) -> None:
        """Let go of the file and the ownership; what waits for a commit is lost."""
        self._database.close()
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    # ---- the owner writes --------------------------------------------------------------------

    @property
    def last_seq(self) -> int:
        """The number of the newest event written, committed or not; 0: none yet."""
        return self._last_seq

    def write(self, event: Event, outcomes: Iterable[Outcome]) -> None:
        """Take down an event and what was decided on it; durable once `commit` returns."""
        try:
            rows = [dump_outcome(outcome) for outcome in outcomes]
            kind, body = dump_event(event)
        except RecordError as error:
            raise JournalError(str(error)) from error
        if not 0 <= abs(event.heard) < 1 << 63:
            raise JournalError(f"an event heard at {event.heard} ms fits no journal")
        seq = self._last_seq + 1
        self._wait(
            ("INSERT INTO events VALUES (?, ?, ?, ?)", (seq, event.heard, kind, body)),
            *(("INSERT INTO outcomes VALUES (NULL, ?, ?, ?)", (seq, *row)) for row in rows),
        )
        self._last_seq = seq

    def save_snapshot(self, seq: int, body: str) -> None:
        """Keep the state after event `seq`; the last three are kept."""
        self._wait(
            ("INSERT OR REPLACE INTO snapshots VALUES (?, ?)", (seq, body)),
            (
                "DELETE FROM snapshots WHERE seq NOT IN "
                "(SELECT seq FROM snapshots ORDER BY seq DESC LIMIT ?)",
                (SNAPSHOTS_KEPT,),
            ),
        )

    def save_plan(self, fingerprint: str, sources: Mapping[str, str]) -> None:
        """Keep the texts that rules were loaded from, once for each fingerprint."""
        self._wait(
            (
                "INSERT OR IGNORE INTO plans VALUES (?, ?, ?)",
                (fingerprint, json.dumps(dict(sources)), self._last_seq),
            )
        )

    def answer_entry(self, number: int, text: str) -> None:
        """Say what became of an entry: in the same commit as the events that it led to."""
        said = text[:ANSWER_CHARS_MAX].encode("utf-8", "replace").decode()
        self._wait(
            (
                "UPDATE entries SET answer = ?, taken_seq = ? WHERE id = ? AND answer IS NULL",
                (said, self._last_seq, number),
            )
        )
        self._answered.add(number)

    def commit(self, clock: ClockAnchor | None = None) -> None:
        """Make everything written so far durable, and with it the clock's anchor.

        Raises `JournalError` where it cannot; what was written then still waits.
        """
        anchor = [] if clock is None else [_anchor_row(clock)]
        if not self._pending and not anchor:
            return
        with store.faults(self._path):
            self._database.execute("BEGIN IMMEDIATE")
            try:
                for statement, row in (*self._pending, *anchor):
                    self._database.execute(statement, row)
                self._database.execute("COMMIT")
            except BaseException:
                # A full disk has rolled back already by itself.
                if self._database.in_transaction:
                    self._database.execute("ROLLBACK")
                raise
        self._pending.clear()
        self._answered.clear()

    def _wait(self, *rows: tuple[str, tuple[object, ...]]) -> None:
        if self._lock is None:
            raise JournalError(f"journal `{self._path}` is open for reading only")
        if len(self._pending) + len(rows) > PENDING_ROWS_MAX:
            raise JournalError(
                f"journal `{self._path}` could not be written for {len(self._pending)} rows",
                "look at the disk; nothing is switched on until it can be written",
            )
        self._pending.extend(rows)

    # ---- everybody reads; what is not committed does not show ---------------------------------

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
        """The newest committed events, oldest of them first."""
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
            "ORDER BY seq DESC LIMIT ?)"
        )
        found: int = self._one(query, after_seq, max(0, newest))[0]
        return found if newest > 0 else (1 << 62)

    def last_snapshot(self) -> tuple[int, str] | None:
        """The newest state kept, with the number of the event it came after."""
        return next(iter(self.snapshots()), None)

    def snapshots(self) -> list[tuple[int, str]]:
        """The states kept, newest first: the next one is for when the first cannot be read."""
        return self._all("SELECT seq, body FROM snapshots ORDER BY seq DESC")

    def plan(self, fingerprint: str) -> dict[str, str] | None:
        """The texts that these rules were loaded from, by name."""
        rows = self._all("SELECT sources FROM plans WHERE fingerprint = ?", fingerprint)
        if not rows:
            return None
        try:
            sources = json.loads(rows[0][0])
            return {str(name): str(text) for name, text in sources.items()}
        except (ValueError, AttributeError) as error:
            raise DamagedRowError(self._path, "plans", 0, "no table of texts") from error

    def clock(self) -> ClockAnchor | None:
        """The clocks as they read at the last commit."""
        rows = self._all("SELECT line, wall_ms, boot_ms, boot_id FROM meta")
        return ClockAnchor(*rows[0]) if rows else None

    # ---- manual entries ----------------------------------------------------------------------

    def add_entry(self, entry: Entry, written_wall_ms: int) -> int:
        """Leave an entry for the service, durable at once; its number."""
        try:
            kind, body = dump_entry(entry)
        except RecordError as error:
            raise JournalError(str(error)) from error
        if self._one("SELECT count(*) FROM entries WHERE answer IS NULL")[0] >= ENTRIES_WAITING_MAX:
            raise JournalError(f"{ENTRIES_WAITING_MAX} entries are waiting", "start the service")
        with store.faults(self._path):
            number = self._database.execute(
                "INSERT INTO entries (written_wall_ms, kind, body) VALUES (?, ?, ?)",
                (written_wall_ms, kind, body),
            ).lastrowid
        assert number is not None
        return number

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

    # ---- helpers -----------------------------------------------------------------------------

    def _load(
        self, table: str, seq: int, load: Callable[[], T], on_damage: OnDamage | None
    ) -> T | None:
        try:
            return load()
        except RecordError as error:
            row = DamagedRowError(self._path, table, seq, str(error))
            if on_damage is None:
                raise row from error
            on_damage(row)
            return None

    def _pages(self, query: str, after: int) -> Iterator[tuple[Any, ...]]:
        while page := self._all(query, after, PAGE_ROWS):
            yield from page
            after = page[-1][0]

    def _all(self, query: str, *row: object) -> list[Any]:
        with store.faults(self._path):
            return self._database.execute(query, row).fetchall()

    def _one(self, query: str, *row: object) -> tuple[Any, ...]:
        found: tuple[Any, ...] = self._all(query, *row)[0]
        return found


def _anchor_row(clock: ClockAnchor) -> tuple[str, tuple[object, ...]]:
    return (
        "INSERT OR REPLACE INTO meta VALUES (1, ?, ?, ?, ?)",
        (clock.line, clock.wall_ms, clock.boot_ms, clock.boot_id),
    )

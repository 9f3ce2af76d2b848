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
from collections.abc import Iterable, Mapping
from pathlib import Path

from carerules.adapters import store
from carerules.adapters.clock import ClockAnchor
from carerules.adapters.entry import Entry
from carerules.adapters.reading import JournalReader
from carerules.adapters.records import (
    RecordError,
    dump_entry,
    dump_event,
    dump_outcome,
)
from carerules.domain.decision import Outcome
from carerules.domain.event import Event
from carerules.domain.moment import Moment
from carerules.domain.ports import JournalError

PENDING_ROWS_MAX = 20_000  # some minutes of a busy site without a disk, about 20 MiB of memory
ENTRIES_WAITING_MAX = 1_000  # more than a person writes while the service is down
SNAPSHOTS_KEPT = 3  # the last may be of a version that cannot be read back; two more to fall to
FORGET_ROWS = 5_000  # deleted at a time: tens of milliseconds, in which the evaluator waits

CHATTER = ("tick", "sample", "site-sample", "plug-report", "rejected",
           "channel-proved")  # fmt: skip
"""The kinds of event that come by the clock, of which old ones tell nobody anything."""

ANSWER_CHARS_MAX = 1_000


class SqliteJournal(JournalReader):
    """The journal in one SQLite file. One thread at a time; satisfies `domain.ports.Journal`."""

    def __init__(self, path: Path, database: sqlite3.Connection, lock: int | None) -> None:
        """Not called by outsiders: `open` it."""
        super().__init__(path, database)
        self._lock = lock
        self._pending: list[tuple[str, tuple[object, ...]]] = []
        self._last_seq: int = self._one("SELECT coalesce(max(seq), 0) FROM events")[0]
        self._inode = path.stat().st_ino

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

    def check_in_place(self) -> None:
        """Raises `JournalError` when the file was moved away or replaced: what is written then goes
        where nobody reads it, and what people enter goes where we do not look."""
        with store.faults(self._path):
            there = self._path.stat().st_ino if self._path.exists() else None
        if there != self._inode:
            raise JournalError(f"journal `{self._path}` was moved away or replaced",
                               "stop the service and start it again")  # fmt: skip

    # ---- the owner writes --------------------------------------------------------------------

    @property
    def last_seq(self) -> int:
        """The number of the newest event written, committed or not; 0: none yet."""
        return self._last_seq

    @property
    def waits(self) -> bool:
        """Whether anything was written that no commit has made durable yet."""
        return bool(self._pending)

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

    def seq_at(self, heard: Moment) -> int:
        """The number of the last event heard before a moment; 0: there is none."""
        low, high = 0, self._one("SELECT coalesce(max(seq), 0) FROM events")[0]
        # Moments only run forward along the numbers, so halving finds it in some twenty looks.
        while low < high:
            middle = (low + high + 1) // 2
            there = self._one("SELECT max(seq), heard FROM events WHERE seq <= ?", middle)
            if there[0] is not None and there[1] >= heard:
                high = there[0] - 1
            else:
                low = middle
        return low

    def forget(self, up_to_seq: int) -> int:
        """Delete what chattered, up to an event that a kept snapshot has taken in; how many rows.

        Ticks, samples, plug reports and refusals go; what people said, what was decided and the
        events that it was decided on stay for ever. At most 5000 rows at a time, durable at once.
        """
        if self._lock is None:
            raise JournalError(f"journal `{self._path}` is open for reading only")
        oldest = min((seq for seq, _ in self.snapshots()), default=0)
        with store.faults(self._path):
            return self._database.execute(
                "DELETE FROM events WHERE seq IN (SELECT seq FROM events WHERE seq <= ? "
                f"AND kind IN ({', '.join('?' * len(CHATTER))}) "
                "AND seq NOT IN (SELECT event_seq FROM outcomes) "
                # The newest stays, or its number would be given again after a restart.
                "AND seq < (SELECT max(seq) FROM events) ORDER BY seq LIMIT ?)",
                (min(up_to_seq, oldest), *CHATTER, FORGET_ROWS),
            ).rowcount

    def _wait(self, *rows: tuple[str, tuple[object, ...]]) -> None:
        if self._lock is None:
            raise JournalError(f"journal `{self._path}` is open for reading only")
        if len(self._pending) + len(rows) > PENDING_ROWS_MAX:
            raise JournalError(
                f"journal `{self._path}` could not be written for {len(self._pending)} rows",
                "look at the disk; nothing is switched on until it can be written",
            )
        self._pending.extend(rows)

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


def _anchor_row(clock: ClockAnchor) -> tuple[str, tuple[object, ...]]:
    return (
        "INSERT OR REPLACE INTO meta VALUES (1, ?, ?, ?, ?)",
        (clock.line, clock.wall_ms, clock.boot_ms, clock.boot_id),
    )

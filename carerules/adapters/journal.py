"""The facts in order, durable before anything is done about them.

Knows what is kept and when it is durable. Does not know what it means.

One process owns a journal and writes events; any number read it and leave manual entries. What is
written waits in memory until `commit`, which takes all of it down in one transaction, or none.
When a commit fails, what waits goes on waiting: the next one takes it down as well.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path

from carerules.adapters.clock import ClockAnchor
from carerules.adapters.entry import Entry
from carerules.adapters.reading import JournalReader
from carerules.adapters.records import (
    RecordError,
    dump_entry,
    dump_event,
    dump_outcome,
)
from carerules.adapters.rows import Hold, Rows, Statement, put
from carerules.adapters.store import SqliteRows
from carerules.domain.decision import Outcome
from carerules.domain.event import A_PERSON, Event
from carerules.domain.moment import Moment
from carerules.domain.ports import JournalError

PENDING_ROWS_MAX = 20_000  # some minutes of a busy site without a disk, about 20 MiB of memory
ENTRIES_WAITING_MAX = 1_000  # more than a person writes while the service is down
SNAPSHOTS_KEPT = 3  # the last may be of a version that cannot be read back; two more to fall to
FORGET_ROWS = 5_000  # deleted at a time: tens of milliseconds, in which the evaluator waits

CHATTER = ("tick", "sample", "site-sample", "plug-report", "rejected",
           "channel-proved")  # fmt: skip
"""The kinds of event that come by the clock, of which old ones tell nobody anything."""
TYPED_IN = f'%"source":"{A_PERSON}"%'
"""What the row of a reading looks like that a person has typed in."""

ANSWER_CHARS_MAX = 1_000


class KeptJournal(JournalReader):
    """The journal in a database. One thread at a time; satisfies `domain.ports.Journal`."""

    def __init__(self, rows: Rows) -> None:
        """Not called by outsiders: `place.open_journal` does."""
        super().__init__(rows)
        self._pending: list[Statement] = []
        self._last_seq: int = self._one("SELECT coalesce(max(seq), 0) FROM events")[0]

    def close(self) -> None:
        """Let go of the database and the ownership; what waits for a commit is lost."""
        self._rows.close()

    def check_in_place(self) -> None:
        """Raises `JournalError` when what is written from here on would not be read, or is not
        ours to write any more."""
        self._rows.check()

    @property
    def fenced(self) -> bool:
        """Whether another machine could take the site over: each commit then proves that none has,
        also one that has nothing to write."""
        return self._rows.fenced

    @property
    def fence(self) -> int | None:
        """The number of this ownership, which only grows; None: a file, or a reader."""
        return self._rows.fence

    def hold(self) -> Hold:
        """Whether the site is ours to command. Blocks for some seconds at most, never raises."""
        return self._rows.hold()

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
        """Take down an event and what was decided on it; durable once `commit` returns. Raises
        `JournalError` for what no journal can hold."""
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
            *((_OUTCOME, (seq, *row)) for row in rows),
        )
        self._last_seq = seq

    def save_snapshot(self, seq: int, body: str) -> None:
        """Keep the state after event `seq`; the last three are kept."""
        self._wait(
            (put("snapshots", "seq", "body"), (seq, body)),
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
                "INSERT INTO plans VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
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
        anchor = [] if clock is None else [self._anchored(clock)]
        if not self._pending and not anchor and not self.fenced:
            return
        self._rows.together((*self._pending, *anchor))
        self._pending.clear()
        self._answered.clear()

    def seq_at(self, heard: Moment) -> int:
        """The number of the last event heard before a moment; 0: there is none."""
        low, high = 0, self._one("SELECT coalesce(max(seq), 0) FROM events")[0]
        # Moments only run forward along the numbers, so halving finds it in some twenty looks.
        while low < high:
            middle = (low + high + 1) // 2
            there = self._all(
                "SELECT seq, heard FROM events WHERE seq <= ? ORDER BY seq DESC LIMIT 1", middle
            )
            if there and there[0][1] >= heard:
                high = there[0][0] - 1
            else:
                low = middle
        return low

    def forget(self, up_to_seq: int) -> int:
        """Delete what chattered, up to an event that a kept snapshot has taken in; how many rows.

        Ticks, samples, plug reports and refusals go; what people said (a reading that was typed in,
        too), what was decided and the events that it was decided on stay for ever. At most 5000
        rows at a time, durable at once.
        """
        self._must_own()
        oldest = min((seq for seq, _ in self.snapshots()), default=0)
        return self._rows.together([(
            "DELETE FROM events WHERE seq IN (SELECT seq FROM events WHERE seq <= ? "
            f"AND kind IN ({', '.join('?' * len(CHATTER))}) "
            "AND seq NOT IN (SELECT event_seq FROM outcomes) AND body NOT LIKE ? "
            # The newest stays, or its number would be given again after a restart.
            "AND seq < (SELECT max(seq) FROM events) ORDER BY seq LIMIT ?)",
            (min(up_to_seq, oldest), *CHATTER, TYPED_IN, FORGET_ROWS),
        )])  # fmt: skip

    def _must_own(self) -> None:
        if not self._rows.owned:
            raise JournalError(f"{self._rows.name} is open for reading only")

    def _wait(self, *rows: Statement) -> None:
        self._must_own()
        if len(self._pending) + len(rows) > PENDING_ROWS_MAX:
            raise JournalError(
                f"{self._rows.name} could not be written for {len(self._pending)} rows",
                "look at the disk; nothing is switched on until it can be written",
            )
        self._pending.extend(rows)

    # ---- manual entries ----------------------------------------------------------------------

    def add_entry(self, entry: Entry, written_wall_ms: int) -> int:
        """Leave an entry for the service, durable at once; its number. Raises `JournalError`, also
        where too many wait already."""
        try:
            kind, body = dump_entry(entry)
        except RecordError as error:
            raise JournalError(str(error)) from error
        if self._one("SELECT count(*) FROM entries WHERE answer IS NULL")[0] >= ENTRIES_WAITING_MAX:
            raise JournalError(f"{ENTRIES_WAITING_MAX} entries are waiting", "start the service")
        number: int = self._one(
            "INSERT INTO entries (written_wall_ms, kind, body) VALUES (?, ?, ?) RETURNING id",
            written_wall_ms, kind, body,
        )[0]  # fmt: skip
        return number

    def _anchored(self, clock: ClockAnchor) -> Statement:
        return _ANCHOR, (1, clock.line, clock.wall_ms, clock.boot_ms, clock.boot_id)


_OUTCOME = "INSERT INTO outcomes (event_seq, kind, body) VALUES (?, ?, ?)"
_ANCHOR = put("meta", "id", "line", "wall_ms", "boot_ms", "boot_id")


class SqliteJournal(KeptJournal):
    """The journal in one SQLite file."""

    def __init__(self, rows: SqliteRows) -> None:
        super().__init__(rows)
        self._database = rows.database

    @classmethod
    def open(cls, path: Path | str, *, owner: bool) -> SqliteJournal:
        """Open the journal, make it where there is none; 0600, its folder 0700 when made here.

        The owner holds it against every other owner: raises `JournalBusy` with the other's pid.
        Everything else that is wrong raises `JournalError` with what and mend.
        """
        rows = SqliteRows(Path(path), owner=owner)
        try:
            return cls(rows)
        except BaseException:
            rows.close()
            raise

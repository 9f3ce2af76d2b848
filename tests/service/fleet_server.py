"""A PostgreSQL server as far as an ownership needs one, in memory and in the night's own time.

Sessions, an advisory lock that lives as long as its session, transactions; rows in SQLite, which
takes the same statements. What the program's own `PostgresRows` and `Ownership` do on it is what
they do on the real one, which `test_journal_postgres` looks at.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import psycopg

from carerules.adapters import schema
from carerules.domain.moment import SECOND, Moment

LINGERS = 11 * SECOND
"""A session whose machine vanished is ended by the server's own look at it: 5 + 3 * 2 s."""
SILENT = 5 * SECOND
"""So long a client waits for an answer."""

OWNERSHIP = """CREATE TABLE ownership (
    id INTEGER PRIMARY KEY, site TEXT, fence INTEGER, beats INTEGER, host TEXT, pid INTEGER,
    taken_at INTEGER, beat_at INTEGER
)"""


class Lost(psycopg.OperationalError):
    """The session, or the way to it, is gone."""


class Server:
    """One server. `reached(host)`: whether that machine reaches it; `pauses(until)`: the one who
    asks waits, and time goes on."""

    def __init__(
        self, now: Callable[[], Moment], reached: Callable[[int], bool],
        pauses: Callable[[Moment], None],
    ) -> None:  # fmt: skip
        self.now, self.reached, self.pauses = now, reached, pauses
        self.database = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
        self.database.create_function("clock_timestamp", 0, now)
        for step in schema.STEPS:
            for statement in step:
                self.database.execute(statement)
        self.database.execute(OWNERSHIP)
        self.database.execute("INSERT INTO ownership VALUES (1, 'night', 0, 0, '', 0, 0, 0)")
        self.holder: Session | None = None
        self.hides_ends = False
        """As a pooler does: the lock is gone, and who held it is not told."""
        self.sessions: list[Session] = []
        self.stale_commits: list[str] = []

    @property
    def fence(self) -> int:
        return int(self.database.execute("SELECT fence FROM ownership").fetchone()[0])

    @property
    def beats(self) -> int:
        return int(self.database.execute("SELECT beats FROM ownership").fetchone()[0])

    def end(self, session: Session) -> None:
        """As the server ends one: its lock is free, and it learns of it at its next word."""
        session.ended = not self.hides_ends
        if self.holder is session:
            self.holder = None
        if session in self.sessions:
            self.sessions.remove(session)

    def restart(self) -> None:
        for session in list(self.sessions):
            self.end(session)

    def evict(self, fence: int, beats: int) -> bool:
        if self.holder is None or (self.fence, self.beats) != (fence, beats):
            return False
        self.end(self.holder)
        return True

    def passes(self) -> None:
        """Time has gone on: sessions of machines that vanished end."""
        for session in list(self.sessions):
            if session.lingers is not None and self.now() >= session.lingers:
                self.end(session)


class Answer:
    """What a statement came to, as the library says it."""

    def __init__(self, rows: list[tuple[Any, ...]], count: int) -> None:
        self._rows, self.rowcount, self.description = rows, count, rows or None

    def fetchone(self) -> tuple[Any, ...] | None:
        return self._rows[0] if self._rows else None

    def fetchall(self) -> list[tuple[Any, ...]]:
        return self._rows


class Session:
    """One session of one machine, as the library's connection."""

    def __init__(self, server: Server, host: int) -> None:
        self.server, self.host = server, host
        self.closed = self.ended = self.loses_answer = False
        self.lingers: Moment | None = None
        self.took: int | None = None
        """The number under which it became the owner."""
        self._reach()
        server.sessions.append(self)

    def execute(self, statement: str | bytes, row: tuple[object, ...] = ()) -> Answer:
        self._reach()
        text = (statement if isinstance(statement, str) else statement.decode()).replace("%s", "?")
        if "pg_try_advisory_lock" in text:
            free = self.server.holder in (None, self)
            if free:
                self.server.holder = self
            return Answer([(free,)], 1)
        try:
            cursor = self.server.database.execute(text, row)
        except sqlite3.IntegrityError as error:
            raise psycopg.IntegrityError(str(error)) from error
        rows = cursor.fetchall()
        if "SET fence = fence + 1" in text:
            self.took = rows[0][0]
        return Answer(rows, cursor.rowcount)

    @contextmanager
    def transaction(self) -> Iterator[None]:
        self._reach()
        before = self.server.database.total_changes
        self.server.database.execute("BEGIN")
        try:
            yield
        except BaseException:
            self.server.database.execute("ROLLBACK")
            raise
        wrote = self.server.database.total_changes - before
        self.server.database.execute("COMMIT")
        if self.took is not None and wrote and self.took != self.server.fence:
            self.server.stale_commits.append(f"number {self.took} under {self.server.fence}")
        if self.loses_answer:
            self.close()
            raise Lost("the connection was lost before the answer came")

    def close(self) -> None:
        """By the client; a server that it does not reach hears of it later."""
        if not self.closed:
            self.closed = True
            if self.server.reached(self.host):
                self.server.end(self)
            else:
                self.vanish()

    def vanish(self) -> None:
        """The machine is gone, or the way to it."""
        if self.lingers is None:
            self.lingers = self.server.now() + LINGERS

    def _reach(self) -> None:
        if self.closed:
            raise Lost("the connection is closed")
        if not self.server.reached(self.host):
            self.server.pauses(self.server.now() + SILENT)
            self.close()
            raise Lost("no answer within 5 s")
        if self.ended:
            self.closed = True
            raise Lost("terminating connection due to administrator command")

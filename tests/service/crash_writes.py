"""Where a night may die: each moment just before and just after a write of its journal."""

from __future__ import annotations

import os
import signal
import sqlite3
from collections.abc import Iterable
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from crash_disk import FAILURES, fail

from carerules.adapters import ClockAnchor, SqliteJournal
from carerules.domain.decision import Outcome
from carerules.domain.event import Event

WRITES = ("BEGIN", "INSERT", "UPDATE", "DELETE", "COMMIT", "CREATE", "PRAGMA")


@dataclass
class Points:
    """Each moment just before and just after a write, counted; at one of them it dies, or its disk
    begins to fail (`how`)."""

    die_at: int | None = None
    how: str = "kill"
    names: list[str] = field(default_factory=list)
    watching: bool = True
    failed: bool = False
    last_word: Any = lambda: None
    """Called just before it happens."""

    def reach(self, what: str) -> None:
        if not self.watching:
            return
        self.names.append(what)
        if len(self.names) == self.die_at:
            self.last_word()
            if self.how == "kill":
                os.kill(os.getpid(), signal.SIGKILL)
            self.failed = self.how in FAILURES
            fail(self.how)

    @contextmanager
    def around(self, what: str) -> Any:
        self.reach(f"before {what}")
        yield
        self.reach(f"after {what}")

    @contextmanager
    def elsewhere(self) -> Any:
        """What another program does is no point of ours."""
        self.watching = False
        try:
            yield
        finally:
            self.watching = True


POINTS = Points()


@cache
def watched(kind: type[sqlite3.Connection]) -> type[sqlite3.Connection]:
    """The same kind of connection, but its writes are points."""

    class Watched(kind):  # type: ignore[misc, valid-type]
        def execute(self, statement: str, *more: Any) -> sqlite3.Cursor:
            word = statement.split(None, 1)[0].upper()
            if word not in WRITES or (word == "PRAGMA" and "=" not in statement):
                return super().execute(statement, *more)  # type: ignore[no-any-return]
            with POINTS.around(" ".join(statement.split()[:3])):
                return super().execute(statement, *more)  # type: ignore[no-any-return]

    return Watched


class WatchedJournal(SqliteJournal):
    """A journal whose own writes, which only reach memory, are points, too."""

    def write(self, event: Event, outcomes: Iterable[Outcome]) -> None:
        with POINTS.around(f"write {type(event).__name__}"):
            super().write(event, outcomes)

    def save_snapshot(self, seq: int, body: str) -> None:
        with POINTS.around("save_snapshot"):
            super().save_snapshot(seq, body)

    def answer_entry(self, number: int, text: str) -> None:
        with POINTS.around("answer_entry"):
            super().answer_entry(number, text)

    def commit(self, clock: ClockAnchor | None = None) -> None:
        with POINTS.around("commit"):
            super().commit(clock)

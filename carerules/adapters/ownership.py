"""Who owns a site whose journal several machines reach: a lock, and a number that only grows.

Knows the server's advisory locks and the row `ownership`. Does not know what an owner does.

The lock lives as long as the session that writes the journal, so a process that ends, however it
ends, lets go of it. A process that is frozen does not: who watches sees that its `beats` stand
still, and has the server end that session (`evict`). Whoever then takes the lock raises the number
in the same transaction; each commit of an owner names its own number and fails under any other.
No clock of one machine is held against that of another: who watches measures with their own how
long the beats have stood still, and an owner with its own how long ago it last proved its number.
"""

from __future__ import annotations

import os
import socket
from typing import Any

from psycopg import Connection, sql

from carerules.adapters.clock import HOST
from carerules.adapters.rows import BEAT_EVERY, HELD_FOR, Hold
from carerules.adapters.store import JournalBusy
from carerules.domain.moment import SECOND, Duration
from carerules.domain.ports import NotOwnerError

ASK_AGAIN: Duration = 10 * SECOND

Session = Connection[tuple[Any, ...]]

_KEY = "(%s::bigint << 32) | (SELECT oid::bigint FROM pg_namespace WHERE nspname = %s)"
_OWNING, _MAKING = (int.from_bytes(word, "big") for word in (b"CARE", b"MAKE"))
"""The upper halves of our keys; the lower one is the schema's own number in this database."""

_HOLDERS = (
    "FROM pg_locks l, pg_namespace n WHERE n.nspname = %s AND l.locktype = 'advisory' "
    "AND l.database = (SELECT oid FROM pg_database WHERE datname = current_database()) "
    "AND l.classid::bigint = %s AND l.objid = n.oid AND l.objsubid = 1 AND l.granted"
)


class Ownership:
    """One ownership of one site, from `take` on."""

    def __init__(self, name: str, fence: int, since: Duration) -> None:
        self.fence, self.standing = fence, Hold.UNKNOWN
        self._name = name
        self._proved = self._proving = since
        self._asked: Duration | None = None

    def prove(self, session: Session) -> None:
        """Within a transaction: hold the row under our number until its end; raises
        `NotOwnerError` where the number is another's."""
        self._proving = HOST.boot_ms()  # before the server looks: never too late
        found = session.execute(
            "UPDATE ownership SET beats = beats + 1, beat_at = clock_timestamp() "
            "WHERE id = 1 AND fence = %s", (self.fence,)
        )  # fmt: skip
        if found.rowcount != 1:
            raise self._not_ours()

    def proved(self) -> None:
        """The transaction with the proof was committed."""
        self._proved = self._proving

    def compare(self, session: Session) -> None:
        """Whether another has become the owner, over a session that is not the owner's."""
        row = session.execute("SELECT fence FROM ownership WHERE id = 1").fetchone()
        if row is not None and row[0] != self.fence:
            self.standing = Hold.ANOTHERS

    def is_due(self) -> bool:
        """Whether it is time for another proof."""
        return HOST.boot_ms() - self._proved >= BEAT_EVERY

    def holds(self) -> bool:
        """Whether the last proof is young enough to command by."""
        return HOST.boot_ms() - self._proved <= HELD_FOR

    def may_ask_again(self) -> bool:
        """Whether a database that did not answer may be asked once more; each time blocks."""
        now = HOST.boot_ms()
        if self._asked is not None and now - self._asked < ASK_AGAIN:
            return False
        self._asked = now
        return True

    def _not_ours(self) -> NotOwnerError:
        return NotOwnerError(f"{self._name} has another owner by now (ours was number "
                             f"{self.fence})", "nothing: that one has the plugs")  # fmt: skip


def one_at_a_time(session: Session, schema: str) -> None:
    """Until the end of the transaction, make nobody else make or migrate this schema's tables."""
    session.execute(
        "SELECT pg_advisory_xact_lock((%s::bigint << 32) | hashtext(%s)::bit(32)::bigint)",
        (_MAKING, schema),
    )


def make_schema(session: Session, schema: str) -> None:
    """Make a schema where there is none. One that is there is not asked for: that would want a
    right on the whole database from a user who may need none."""
    there = session.execute("SELECT to_regnamespace(%s) IS NOT NULL", (schema,)).fetchone()
    if there is None or not there[0]:
        session.execute(sql.SQL("CREATE SCHEMA {}").format(sql.Identifier(schema)))


def take(session: Session, name: str, schema: str) -> Ownership:
    """Become the owner, with a new number. Raises `JournalBusy` where somebody is."""
    since = HOST.boot_ms()
    with session.transaction():
        locked = session.execute(f"SELECT pg_try_advisory_lock({_KEY})", (_OWNING, schema))
        if not (locked.fetchone() or (False,))[0]:
            host, pid = _named_holder(session)
            raise JournalBusy(name, pid, host)
        row = session.execute(
            "UPDATE ownership SET fence = fence + 1, beats = beats + 1, host = %s, pid = %s, "
            "taken_at = clock_timestamp(), beat_at = clock_timestamp() WHERE id = 1 "
            "RETURNING fence", (socket.gethostname(), os.getpid())
        ).fetchone()  # fmt: skip
    assert row is not None
    return Ownership(name, row[0], since)


def give_up(session: Session, schema: str) -> None:
    """Be the owner no longer, over the session that is."""
    session.execute(f"SELECT pg_advisory_unlock({_KEY})", (_OWNING, schema))


def holder(session: Session, schema: str) -> int | None:
    """The process that owns the site by the lock; None: nobody does."""
    row = session.execute(f"SELECT count(*) {_HOLDERS}", (schema, _OWNING)).fetchone()
    if row is None or not row[0]:
        return None
    return _named_holder(session)[1]


def is_held(schema: str) -> sql.Composed:
    """Whether the lock of a schema is held, for use inside another query."""
    held = sql.SQL("EXISTS (SELECT 1 " + _HOLDERS.replace("%s", "{}") + ")")
    return held.format(sql.Literal(schema), sql.Literal(_OWNING))


def evict(session: Session, schema: str, fence: int, beats: int) -> bool:
    """Have the server end the session of an owner whose beats stand still; whether one was ended.
    `fence` is its number, `beats` the count of them that was last seen.
    One that has beaten meanwhile is left alone."""
    row = session.execute(
        f"SELECT count(pg_terminate_backend(l.pid)) {_HOLDERS} AND EXISTS "
        "(SELECT 1 FROM ownership WHERE fence = %s AND beats = %s)",
        (schema, _OWNING, fence, beats),
    ).fetchone()
    return bool(row and row[0])


def _named_holder(session: Session) -> tuple[str, int]:
    row = session.execute("SELECT host, pid FROM ownership WHERE id = 1").fetchone()
    return (str(row[0]), int(row[1])) if row else ("", 0)

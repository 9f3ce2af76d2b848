"""A journal on PostgreSQL: connected, made, read and written; its faults in words.

Knows the server's library, its settings and errors. Who owns a site is decided in `ownership`.
A password never passes through here: the library finds it by itself (PGPASSFILE, `~/.pgpass`,
PGPASSWORD), and no message has it.
"""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from functools import lru_cache
from time import monotonic
from typing import Any, TypeVar

import psycopg

from carerules.adapters import ownership, postgres_schema
from carerules.adapters.address import PostgresPlace
from carerules.adapters.clock import HOST, ClockAnchor
from carerules.adapters.journal import KeptJournal
from carerules.adapters.ownership import Ownership
from carerules.adapters.postgres_faults import faults
from carerules.adapters.rows import Hold, Statement, put
from carerules.domain.ports import JournalError, NotOwnerError

T = TypeVar("T")

ANSWER_S_MAX = 5.0
"""A commit takes milliseconds; a server that hangs this long is as good as gone, and the evaluator
waits all the while. Within it OFF waits, too: the plug's own timer of 90 s bears it."""

_SESSION = {
    "synchronous_commit": "on",  # a commit that returned is on the disk, whatever the server's own
    "statement_timeout": "4000",
    "lock_timeout": "2000",
    "idle_in_transaction_session_timeout": "10000",
    # The server's own look at us: the session of a machine that vanished, and with it the lock,
    # ends within 5 + 3 * 2 s.
    "tcp_keepalives_idle": "5",
    "tcp_keepalives_interval": "2",
    "tcp_keepalives_count": "3",
    "tcp_user_timeout": "11000",
}
_OURS: Mapping[str, Any] = {
    "application_name": "carerules",
    "client_encoding": "utf8",
    "connect_timeout": 3,
    "keepalives_idle": 3,
    "keepalives_interval": 1,
    "keepalives_count": 2,
    "tcp_user_timeout": 4_000,
    "target_session_attrs": "read-write",
}


class _Connection(psycopg.Connection[tuple[Any, ...]]):
    """A connection that waits for no answer longer than `ANSWER_S_MAX`."""

    def wait(self, gen: Generator[Any, Any, T], *args: Any, **named: Any) -> T:
        """As the library has it; a server that does not answer in time is taken for lost."""
        try:
            return super().wait(_within(gen, monotonic() + ANSWER_S_MAX), *args, **named)
        except _SilentError:
            self.pgconn.finish()
            raise


class _SilentError(psycopg.OperationalError):
    """The server does not answer."""


def _within(gen: Generator[Any, Any, T], deadline: float) -> Generator[Any, Any, T]:
    # The library looks in some ten times a second, with nothing ready, so this is asked as often.
    try:
        wanted = next(gen)
        while True:
            ready = yield wanted
            if monotonic() > deadline:
                raise _SilentError(f"no answer within {ANSWER_S_MAX:g} s")
            wanted = gen.send(ready)
    except StopIteration as done:
        found: T = done.value
        return found


class PostgresRows:
    """The rows of one schema; satisfies `adapters.rows.Rows`.

    A reader whose session is lost begins another one. An owner whose session is lost has lost the
    site with it, for good.
    """

    def __init__(self, place: PostgresPlace, *, owner: bool) -> None:
        """Connect, make the tables where there are none. Raises `JournalBusy`, `JournalError`."""
        self._place, self.name = place, named(place)
        self.owned = self.fenced = owner
        self._ownership: Ownership | None = None
        self._lost: JournalError | None = None
        self._connection = _prepared(place, owner=owner)
        if owner:
            try:
                with faults(self.name):
                    self._ownership = ownership.take(self._connection, self.name, place.schema)
            except BaseException:
                self._connection.close()
                raise

    @property
    def fence(self) -> int | None:
        """The number of this ownership; None: a reader."""
        return None if self._ownership is None else self._ownership.fence

    def all(self, query: str, *row: object) -> list[Any]:
        """What a query finds."""
        with self._asking():
            cursor = self._connection.execute(_marked(query), _plain(row))
            return cursor.fetchall() if cursor.description else []

    def together(self, statements: Iterable[Statement]) -> int:
        """One transaction, the owner's under its number: it holds the row of it until the commit,
        so that nobody becomes the owner between the proof and the commit."""
        changed = 0
        with self._asking(), self._connection.transaction():
            if self._ownership is not None:
                self._ownership.prove(self._connection)
            for statement, row in statements:
                changed = self._connection.execute(_marked(statement), _plain(row)).rowcount
        if self._ownership is not None:
            self._ownership.proved()
        return changed

    def check(self) -> None:
        """Prove the ownership, some seconds apart: to ourselves, and to those who watch."""
        if self._ownership is not None and (self._lost is not None or self._ownership.is_due()):
            self.together(())

    def hold(self) -> Hold:
        """Ours for some seconds after each proof; then the database is asked, over a new session
        where the old one is lost."""
        if self._ownership is None or isinstance(self._lost, NotOwnerError):
            return Hold.ANOTHERS
        if self._ownership.holds():
            return Hold.OURS if self._lost is None else Hold.UNKNOWN
        with suppress(JournalError):
            self.together(())
            return Hold.OURS
        if isinstance(self._lost, NotOwnerError):
            return Hold.ANOTHERS
        if self._ownership.may_ask_again():
            with (
                suppress(JournalError),
                faults(self.name),
                closing(connected(self._place)) as anew,
            ):
                self._ownership.compare(anew)
        return self._ownership.standing

    def close(self) -> None:
        """End the ownership, and the session; the server notices only later that that has ended."""
        if self._ownership is not None and not (self._lost or self._connection.closed):
            with suppress(psycopg.Error):
                ownership.give_up(self._connection, self._place.schema)
        self._connection.close()

    @contextmanager
    def _asking(self) -> Iterator[None]:
        if self._lost is not None:
            raise self._lost
        if self._ownership is None and self._connection.closed:
            self._connection = connected(self._place)
        try:
            with faults(self.name):
                yield
        except NotOwnerError as error:
            self._lost = error
            raise
        except JournalError as error:
            if self._ownership is not None and self._connection.closed:
                self._lost = error
            raise


class PostgresJournal(KeptJournal):
    """The journal in one schema of a PostgreSQL database."""

    @classmethod
    def open(cls, place: PostgresPlace, *, owner: bool) -> PostgresJournal:
        """Open the journal, make it where there is none. Raises `JournalBusy`, `JournalError`."""
        rows = PostgresRows(place, owner=owner)
        try:
            return cls(rows)
        except BaseException:
            rows.close()
            raise

    def clock(self) -> ClockAnchor | None:
        """The clocks as they read at the last commit. What has passed since is the database's own
        measure, so that two machines' wall clocks are never held against each other."""
        rows = self._all(
            "SELECT line, boot_ms, boot_id, greatest(0, "
            "extract(epoch FROM clock_timestamp() - kept_at) * 1000)::bigint FROM meta"
        )
        if not rows:
            return None
        line, boot_ms, boot_id, ago = rows[0]
        return ClockAnchor(line, HOST.wall_ms() - ago, boot_ms, boot_id)

    def _anchored(self, clock: ClockAnchor) -> Statement:
        statement = put("meta", "id", "line", "wall_ms", "boot_ms", "boot_id", "kept_at")
        statement = statement.replace("?, ?)", "?, clock_timestamp())")
        return statement, (1, clock.line, clock.wall_ms, clock.boot_ms, clock.boot_id)


def named(place: PostgresPlace) -> str:
    """How messages call the journal there."""
    return f"journal `{place.schema}` at `{place.url}`"


def is_there(place: PostgresPlace) -> bool:
    """Whether the schema has the journal's tables."""
    with faults(named(place)), _visit(place) as connection:
        found = connection.execute("SELECT to_regclass('events') IS NOT NULL").fetchone()
        return bool(found and found[0])


def owner_of(place: PostgresPlace) -> int | None:
    """The process that owns the site; None: nobody does, or nobody can say."""
    with suppress(JournalError), faults(named(place)), _visit(place) as connection:
        return ownership.holder(connection, place.schema)
    return None


# ---- sessions ------------------------------------------------------------------------------


def connected(place: PostgresPlace) -> _Connection:
    """A session that works in the place's schema. Raises `JournalError`."""
    settings = {"search_path": place.schema, **_SESSION}
    options = " ".join(f"-c {name}={value}" for name, value in settings.items())
    with faults(named(place)):
        connection: _Connection = _Connection.connect(
            place.url, autocommit=True, options=options, **_OURS
        )
        return connection


def _visit(place: PostgresPlace) -> closing[_Connection]:
    return closing(connected(place))


def _prepared(place: PostgresPlace, *, owner: bool) -> _Connection:
    connection = connected(place)
    try:
        with faults(named(place)):
            _must_keep(connection, named(place))
            _migrate(connection, place, owner=owner)
    except BaseException:
        connection.close()
        raise
    return connection


def _must_keep(connection: _Connection, name: str) -> None:
    found = connection.execute(
        "SELECT current_setting('fsync'), current_setting('server_encoding')"
    ).fetchone()
    fsync, encoding = found or ("", "")
    if fsync != "on":
        raise JournalError(f"{name}: the server runs with `fsync = {fsync}`, so a commit may be "
                           "lost with the power", "have it run with `fsync = on`")  # fmt: skip
    if encoding != "UTF8":
        raise JournalError(f"{name}: the database is encoded in {encoding}",
                           "make one with `ENCODING 'UTF8'`")  # fmt: skip


def _migrate(connection: _Connection, place: PostgresPlace, *, owner: bool) -> None:
    """The steps that are missing, all or none of them; another process may try at once."""
    known = postgres_schema.VERSION
    found = _version(connection, place)
    if found < known:
        with connection.transaction():
            ownership.one_at_a_time(connection, place.schema)
            found = _version(connection, place)
            if 0 < found < known and not owner:
                raise JournalError(f"{named(place)} was written by an older version",
                                   "start the service once")  # fmt: skip
            if found == 0:
                _begin(connection, place)
            for step in postgres_schema.STEPS[found:]:
                for statement in step:
                    connection.execute(statement.encode())
            connection.execute("UPDATE care_version SET version = %s", (known,))
            if found == 0:
                connection.execute("INSERT INTO ownership VALUES (1, %s, 0, 0, '', 0)",
                                   (place.site,))  # fmt: skip
    if found > known:
        raise JournalError(
            f"{named(place)} is of version {found}, this program knows up to {known}",
            "install the newer program, or name another schema",
        )
    row = connection.execute("SELECT site FROM ownership").fetchone()
    if row is None or row[0] != place.site:
        whose = "nothing of ours" if row is None else f"the site `{row[0]}`"
        raise JournalError(f"{named(place)} keeps {whose}, and this is `{place.site}`",
                           "give each site a schema of its own")  # fmt: skip


def _version(connection: _Connection, place: PostgresPlace) -> int:
    """How many of the steps the schema has had; 0: it is empty, or not there yet."""
    row = connection.execute(
        "SELECT to_regclass('care_version'), (SELECT count(*) FROM pg_class c JOIN pg_namespace n "
        "ON n.oid = c.relnamespace WHERE n.nspname = %s)", (place.schema,)
    ).fetchone()  # fmt: skip
    assert row is not None
    if row[0] is None and row[1]:
        raise JournalError(f"{named(place)}: the schema holds tables of something else",
                           "name another schema for the journal")  # fmt: skip
    if row[0] is None:
        return 0
    found = connection.execute("SELECT version FROM care_version").fetchone()
    return int(found[0]) if found else 0


def _begin(connection: _Connection, place: PostgresPlace) -> None:
    ownership.make_schema(connection, place.schema)
    connection.execute("CREATE TABLE care_version (version integer NOT NULL)")
    connection.execute("INSERT INTO care_version VALUES (0)")


# ---- statements ------------------------------------------------------------------------------


@lru_cache(128)
def _marked(statement: str) -> bytes:
    """The statement with this library's marks. None of ours has a `%` or a `?` of its own."""
    return statement.replace("?", "%s").encode()


def _plain(row: tuple[object, ...]) -> tuple[object, ...]:
    return tuple(_text(value) if isinstance(value, str) else value for value in row)


def _text(value: str) -> str:
    """Text that the server can hold: it knows no NUL, and only what has bytes."""
    return value.replace("\0", "\ufffd").encode("utf-8", "replace").decode()

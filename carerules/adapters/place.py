"""Where a journal lies: in a file, or in a database that several machines reach.

Knows which of the two a place is. Does not know how either is opened.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias, assert_never

from carerules.adapters import store
from carerules.adapters.address import PostgresPlace
from carerules.adapters.journal import KeptJournal, SqliteJournal
from carerules.adapters.rows import Rows
from carerules.domain.frozen import guarded
from carerules.domain.ports import JournalError

if TYPE_CHECKING:
    from types import ModuleType

    from carerules.adapters.watch import Watch


JournalPlace: TypeAlias = Path | PostgresPlace


@guarded
class _Database:
    """What can be asked of a kind of database; each is given a place of its own kind first."""

    journal: Callable[..., KeptJournal]
    rows: Callable[..., Rows]
    is_there: Callable[..., bool]
    owner_of: Callable[..., int | None]


def _database(place: JournalPlace) -> _Database:
    match place:
        case Path():
            return _Database(SqliteJournal.open, store.SqliteRows, Path.exists, store.owner_of)
        case PostgresPlace():
            there = _postgres()
            return _Database(
                there.PostgresJournal.open, there.PostgresRows, there.is_there, there.owner_of
            )
        case _:
            assert_never(place)


def open_journal(place: JournalPlace, *, owner: bool) -> KeptJournal:
    """Open the journal, make it where there is none. The owner holds it against every other one:
    raises `JournalBusy`. Everything else that is wrong raises `JournalError`."""
    return _database(place).journal(place, owner=owner)


def rows_at(place: JournalPlace, *, owner: bool) -> Rows:
    """The database alone, for what lies beside the journal in it."""
    return _database(place).rows(place, owner=owner)


def is_there(place: JournalPlace) -> bool:
    """Whether a journal was ever begun there; makes nothing. Raises `JournalError` where a
    database cannot be asked."""
    return _database(place).is_there(place)


def owner_of(place: JournalPlace) -> int | None:
    """The process that owns the journal now, on whatever machine; None: nobody does. Takes nothing
    and makes nothing."""
    return _database(place).owner_of(place)


def watch_over(places: Sequence[PostgresPlace]) -> Watch:
    """One service's look at sites of one database. Raises `JournalError`."""
    _postgres()
    from carerules.adapters.watch import Watch  # noqa: PLC0415

    return Watch(places)


def _postgres() -> ModuleType:
    # Only who keeps a journal there waits for its library to be imported, or needs it at all.
    try:
        from carerules.adapters import postgres  # noqa: PLC0415
    except ImportError as error:
        raise JournalError(
            "a journal on PostgreSQL needs the library psycopg, which is not installed",
            "`pip install 'carerules[postgres]'`",
        ) from error
    return postgres

"""Where a journal lies: in a file, or in a database that several machines reach.

Knows which of the two a place is. Does not know how either is opened.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from carerules.adapters import store
from carerules.adapters.address import PostgresPlace
from carerules.adapters.journal import KeptJournal, SqliteJournal
from carerules.adapters.rows import Rows
from carerules.domain.ports import JournalError

if TYPE_CHECKING:
    from types import ModuleType

    from carerules.adapters.watch import Watch


JournalPlace: TypeAlias = Path | PostgresPlace


def open_journal(place: JournalPlace, *, owner: bool) -> KeptJournal:
    """Open the journal, make it where there is none. The owner holds it against every other one:
    raises `JournalBusy`. Everything else that is wrong raises `JournalError`."""
    if isinstance(place, Path):
        return SqliteJournal.open(place, owner=owner)
    journal: KeptJournal = _postgres().PostgresJournal.open(place, owner=owner)
    return journal


def rows_at(place: JournalPlace, *, owner: bool) -> Rows:
    """The database alone, for what lies beside the journal in it."""
    if isinstance(place, Path):
        return store.SqliteRows(place, owner=owner)
    rows: Rows = _postgres().PostgresRows(place, owner=owner)
    return rows


def is_there(place: JournalPlace) -> bool:
    """Whether a journal was ever begun there; makes nothing. Raises `JournalError` where a
    database cannot be asked."""
    if isinstance(place, Path):
        return place.exists()
    found: bool = _postgres().is_there(place)
    return found


def owner_of(place: JournalPlace) -> int | None:
    """The process that owns the journal now, on whatever machine; None: nobody does. Takes nothing
    and makes nothing."""
    if isinstance(place, Path):
        return store.owner_of(place)
    pid: int | None = _postgres().owner_of(place)
    return pid


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

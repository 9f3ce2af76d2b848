"""What a journal asks of the database that it lies in: the one seam between the two.

Knows statements and rows. Does not know whose database it is, nor what the rows mean. SQLite
(`store`) and PostgreSQL (`postgres`) fulfil it with the same statements: `?` marks a value, and a
value never gets into the text of a statement.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum
from typing import Any, NamedTuple, Protocol, TypeAlias

from carerules.domain.moment import SECOND, Duration

Statement: TypeAlias = tuple[str, tuple[object, ...]]
"""A statement with its values."""


BEAT_EVERY: Duration = 2 * SECOND
HELD_FOR: Duration = 8 * SECOND
"""So long after a proof an owner commands without another one: four beats, and an answer that comes
at the last moment. After it the database is asked first."""
GONE_AFTER: Duration = 12 * SECOND
"""Beats that stand still for so long are those of an owner that is gone. Above `HELD_FOR` by more
than two machines' clocks drift apart meanwhile and a command takes to the wire."""


class Hold(Enum):
    """Whether a site is still this process's to command."""

    OURS = "ours"
    UNKNOWN = "unknown"
    """The database does not say, and has not for longer than an ownership lasts."""
    ANOTHERS = "another's"


class SiteSeen(NamedTuple):
    """What the database says of a site: the last owner's number and beats, and whether it has an
    owner now."""

    fence: int
    beats: int
    owned: bool


class Rows(Protocol):
    """An open database. One thread at a time. Everything raises `JournalError` with what and mend.

    `name` is how messages call it; `owned`: this process is the one that may write events;
    `fenced`: another machine could take the ownership over, so it is proved at each commit, also
    at one that has nothing to write.
    """

    name: str
    owned: bool
    fenced: bool

    @property
    def fence(self) -> int | None:
        """The number of this ownership, where there is one."""

    def all(self, query: str, *row: object) -> list[Any]:
        """What a query finds; what a single changing statement gives back, durable by then."""

    def together(self, statements: Iterable[Statement]) -> int:
        """All of them durable, or none; how many rows the last one changed."""

    def check(self) -> None:
        """Raises when what is written from here on would not be read, or is not ours to write."""

    def hold(self) -> Hold:
        """Whether the site is ours to command. Blocks for some seconds at most, never raises."""

    def close(self) -> None:
        """Let go of it, and of the ownership."""


def put(table: str, key: str, *columns: str) -> str:
    """The statement that puts a row in the place of the one with the same key, if there is one."""
    names, marks = ", ".join((key, *columns)), ", ".join("?" * (1 + len(columns)))
    anew = ", ".join(f"{column} = excluded.{column}" for column in columns)
    return (f"INSERT INTO {table} ({names}) VALUES ({marks}) "
            f"ON CONFLICT ({key}) DO UPDATE SET {anew}")  # fmt: skip

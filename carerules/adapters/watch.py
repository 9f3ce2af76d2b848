"""What the services that share sites see of each other: one session, one look at all sites.

Knows the rows. Does not know what follows from them: that is decided in `service.shares`.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Iterable, Sequence
from contextlib import suppress

from psycopg import sql

from carerules.adapters import ownership, postgres
from carerules.adapters.address import PostgresPlace
from carerules.adapters.postgres_faults import faults
from carerules.adapters.rows import SiteSeen
from carerules.domain.ports import JournalError

SCHEMA = "carerules_fleet"
"""Holds one row for each service; no site can name it, as none begins with our name."""


class Watch:
    """One service's look at the sites of one database, and its own sign of life. One thread."""

    def __init__(self, places: Sequence[PostgresPlace]) -> None:
        """Makes the tables of sites that never ran. Raises `JournalError`."""
        self._places = {place.schema: place for place in places}
        self._at = PostgresPlace(places[0].url, SCHEMA, "")
        self._session: ownership.Session | None = None
        self.number = 0
        for place in places:
            postgres.PostgresRows(place, owner=False).close()
        self._begin()

    def look(self) -> tuple[dict[str, SiteSeen], dict[int, int]]:
        """Each site by its schema, and the beats of each service by its number; ours moves. Raises
        `JournalError`; the next look then begins a session anew."""
        try:
            with faults(f"database `{self._at.url}`"):
                session = self._begin()
                beaten = session.execute(
                    "UPDATE services SET beats = beats + 1 WHERE id = %s", (self.number,)
                )
                if beaten.rowcount != 1:
                    self._enrol(session)
                peers = session.execute("SELECT id, beats FROM services").fetchall()
                seen = session.execute(self._sites()).fetchall()
        except JournalError:
            self._drop()
            raise
        return {schema: SiteSeen(*rest) for schema, *rest in seen}, dict(peers)

    def evict(self, schema: str, fence: int, beats: int) -> bool:
        """Have the server end the owner's session, if it has not beaten meanwhile: see
        `ownership.evict`.

        `fence` is its number, `beats` the count of them that was last seen.
        """
        with faults(f"database `{self._at.url}`"):
            session = self._begin()
            session.execute(sql.SQL("SET search_path TO {}").format(sql.Identifier(schema)))
            try:
                return ownership.evict(session, schema, fence, beats)
            finally:
                session.execute(sql.SQL("SET search_path TO {}").format(sql.Identifier(SCHEMA)))

    def forget(self, numbers: Iterable[int]) -> None:
        """Strike services off that are gone, by their numbers."""
        with faults(f"database `{self._at.url}`"):
            for number in numbers:
                self._begin().execute("DELETE FROM services WHERE id = %s", (number,))

    def close(self) -> None:
        """Say that this service is gone, where it can still be said."""
        with suppress(JournalError):
            self.forget([self.number])
        self._drop()

    def _drop(self) -> None:
        if self._session is not None:
            self._session.close()
            self._session = None

    def _begin(self) -> ownership.Session:
        if self._session is not None and not self._session.closed:
            return self._session
        session = postgres.connected(self._at)
        try:
            with faults(f"database `{self._at.url}`"), session.transaction():
                ownership.one_at_a_time(session, SCHEMA)
                ownership.make_schema(session, SCHEMA)
                session.execute(
                    "CREATE TABLE IF NOT EXISTS services (id bigint GENERATED ALWAYS AS IDENTITY "
                    "PRIMARY KEY, host text NOT NULL, pid bigint NOT NULL, beats bigint NOT NULL)"
                )
                if not self.number:
                    self._enrol(session)
        except BaseException:
            session.close()
            raise
        self._session = session
        return session

    def _enrol(self, session: ownership.Session) -> None:
        row = session.execute(
            "INSERT INTO services (host, pid, beats) VALUES (%s, %s, 0) RETURNING id",
            (socket.gethostname(), os.getpid()),
        ).fetchone()
        assert row is not None
        self.number = int(row[0])

    def _sites(self) -> sql.Composed:
        """One query over all sites: what each says of its owner, and whether the lock is held."""
        each = [
            sql.SQL("SELECT {name}, fence, beats, {held} FROM {table}").format(
                name=sql.Literal(schema),
                held=ownership.is_held(schema),
                table=sql.Identifier(schema, "ownership"),
            )
            for schema in self._places
        ]
        return sql.SQL(" UNION ALL ").join(each)

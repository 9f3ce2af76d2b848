"""The table of a site file about a journal that lies in a database.

Knows the keys, and that no password may stand among them. Does not know how a database is reached.
"""

from __future__ import annotations

import re
from typing import Annotated
from urllib.parse import parse_qsl, urlsplit

from pydantic import AfterValidator, Field, WithJsonSchema

from carerules.adapters import PostgresPlace
from carerules.config.problem import found
from carerules.config.things import Table
from carerules.config.values import refused

SCHEMA = r"^[a-z][a-z0-9_]{0,47}$"
_WANTED = "`postgresql://USER@HOST:PORT/DATABASE`"
_BESIDE = ("host", "port", "sslmode", "sslrootcert", "sslcert", "sslkey", "passfile")
"""What may follow a `?`: how the server is reached, how it is checked, and where a password lies.
Source: PostgreSQL 15, libpq, "Parameter Key Words"."""

_HERE = ("localhost", "127.0.0.1", "::1")
_GUARDED = ("verify-full", "verify-ca", "require")


def _schema(value: str) -> str:
    if re.fullmatch(SCHEMA, value) is None or value.startswith("pg_"):
        raise refused(found(value), "small letters, digits and `_`, at most 48, not `pg_...`",
                      "such as `care_north`")  # fmt: skip
    return value


def _url(value: str) -> str:
    try:
        parts = urlsplit(value)
        beside = dict(parse_qsl(parts.query, keep_blank_values=True))
        _ = parts.port
        secret = parts.password is not None or "password" in beside
    except ValueError:
        # Not shown: a password may stand in it.
        raise refused("an address that cannot be read", _WANTED) from None
    if secret:
        raise refused("an address with a password", f"{_WANTED}, without one",
                      "put the password into `~/.pgpass`, or into the file that PGPASSFILE names, "
                      "readable by the service's user only (mode 0600)")  # fmt: skip
    if parts.scheme != "postgresql" or parts.fragment or not parts.path.strip("/"):
        raise refused(found(value), _WANTED)
    strange = [name for name in beside if name not in _BESIDE]
    if strange:
        raise refused(found(strange[0]), f"one of {', '.join(f'`{one}`' for one in _BESIDE)}")
    hosts = _hosts(parts.hostname or "", beside)
    far = [one for one in hosts if one not in _HERE and not one.startswith("/")]
    if far and beside.get("sslmode") not in _GUARDED:
        raise refused(f"no TLS to {found(far[0])}", f"`?sslmode={_GUARDED[0]}` behind the address",
                      "only a server on this machine is reached without")  # fmt: skip
    if any(ord(sign) <= ord(" ") for sign in value):
        raise refused(found(value), f"{_WANTED}, without blanks")
    return value


def _hosts(named: str, beside: dict[str, str]) -> list[str]:
    return [one for one in (*named.split(","), *beside.get("host", "").split(",")) if one]


Schema = Annotated[
    str, AfterValidator(_schema), WithJsonSchema({"type": "string", "pattern": SCHEMA})
]
Url = Annotated[
    str,
    Field(max_length=500),
    AfterValidator(_url),
    WithJsonSchema({"type": "string", "pattern": "^postgresql://", "maxLength": 500}),
]


class JournalTable(Table):
    """A PostgreSQL database for the journal; it needs the extra `postgres` (docs/fleet.md)."""

    url: Url = Field(
        description="Where the database is. Without a password: the library finds it in "
        "`~/.pgpass`, in the file that PGPASSFILE names, or in PGPASSWORD.",
        examples=["postgresql://carerules@db.example.org/care?sslmode=verify-full"],
    )
    schema_: Schema = Field(
        alias="schema",
        description="The schema of the database that keeps this site's journal, and no other's.",
        examples=["care_north"],
    )


def place_of(table: JournalTable, site: str) -> PostgresPlace:
    """Where the journal of the site lies."""
    return PostgresPlace(table.url, table.schema_, site)

"""What a PostgreSQL server or the way to it did wrong, in words and with a mend.

Knows the server's codes. Does not know what was asked of it. No password is in what the library
says of a connection, and nothing of it is passed on but its first line.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import psycopg

from carerules.domain.ports import JournalError

# By the beginning of the server's own code of the error: postgresql.org/docs/15/errcodes-appendix.
_FAULTS = (
    ("28", "the server refuses the login", "put the password into `~/.pgpass`, readable by the "
     "service's user only, or name that file in PGPASSFILE; never into the site file"),
    ("3D", "there is no such database", "make it (`createdb`), or mend the address"),
    ("42501", "the user may not do this", "let the service's user own the schema"),
    ("53100", "the server's disk is full", "free some space there"),
    ("53300", "the server takes no more sessions", "raise its `max_connections`"),
    ("55P03", "somebody else holds it", "end the program that does"),
    ("57014", "the server took too long", "look at what else it is doing"),
)  # fmt: skip

_SIGNS = (("password", "28"), ("authentication", "28"), ("does not exist", "3D"))
"""Of a connection that was refused the library gives no code, only the server's words."""


@contextmanager
def faults(name: str) -> Iterator[None]:
    """Whatever goes wrong with the database inside comes out as a `JournalError` with its mend."""
    try:
        yield
    except psycopg.Error as error:
        raise _told(name, error) from error


def _told(name: str, error: psycopg.Error) -> JournalError:
    said = (str(error).strip() or type(error).__name__).partition("\n")[0]
    code = error.sqlstate or next((code for sign, code in _SIGNS if sign in said), "")
    for prefix, what, mend in _FAULTS:
        if code.startswith(prefix):
            return JournalError(f"{name}: {what}", mend)
    if isinstance(error, psycopg.OperationalError):
        return JournalError(f"{name} cannot be reached: {said[:200]}",
                            "look at the server and the way to it")  # fmt: skip
    return JournalError(f"{name}: {said[:200]}", "report it if it happens again")

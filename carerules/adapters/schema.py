"""The journal's tables, and how an older file becomes a newer one.

Knows SQL. Does not know what the rows mean. A step, once released, is never changed: a new need is
a new step at the end of the list.
"""

from __future__ import annotations

import sqlite3

APPLICATION_ID = int.from_bytes(b"CARE", "big")
"""Written into the file's header, so that a database of something else is not taken for ours."""

STEPS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE events (
            seq INTEGER PRIMARY KEY, heard INTEGER NOT NULL, kind TEXT NOT NULL, body TEXT NOT NULL
        )""",
        """CREATE TABLE outcomes (
            seq INTEGER PRIMARY KEY, event_seq INTEGER NOT NULL REFERENCES events(seq),
            kind TEXT NOT NULL, body TEXT NOT NULL
        )""",
        """CREATE TABLE entries (
            id INTEGER PRIMARY KEY AUTOINCREMENT, written_wall_ms INTEGER NOT NULL,
            kind TEXT NOT NULL, body TEXT NOT NULL, taken_seq INTEGER, answer TEXT
        )""",
        "CREATE TABLE snapshots (seq INTEGER PRIMARY KEY, body TEXT NOT NULL)",
        """CREATE TABLE meta (
            id INTEGER PRIMARY KEY CHECK (id = 1), line INTEGER NOT NULL,
            wall_ms INTEGER NOT NULL, boot_ms INTEGER NOT NULL, boot_id TEXT NOT NULL
        )""",
    ),
    (
        # The rules as they were when a decision was made, for explaining it later.
        """CREATE TABLE plans (
            fingerprint TEXT PRIMARY KEY, sources TEXT NOT NULL, loaded_seq INTEGER NOT NULL
        )""",
        "CREATE INDEX outcomes_of_event ON outcomes(event_seq)",
        "CREATE INDEX entries_waiting ON entries(id) WHERE answer IS NULL",
    ),
    (
        # What people are told: `outbox` holds a letter for each channel, `outbox_read` up to which
        # outcome the notices have been taken up, `notice_words` what people said to them.
        """CREATE TABLE incidents (
            key TEXT PRIMARY KEY, number INTEGER NOT NULL, body TEXT NOT NULL
        )""",
        """CREATE TABLE outbox (
            number INTEGER PRIMARY KEY, incident INTEGER NOT NULL, key TEXT NOT NULL,
            channel TEXT NOT NULL, text TEXT NOT NULL, urgent INTEGER NOT NULL,
            made INTEGER NOT NULL, due INTEGER NOT NULL, tries INTEGER NOT NULL, done INTEGER,
            dropped TEXT NOT NULL, error TEXT NOT NULL
        )""",
        "CREATE TABLE proven (channel TEXT PRIMARY KEY, at INTEGER NOT NULL)",
        "CREATE TABLE outbox_read (id INTEGER PRIMARY KEY CHECK (id = 1), seq INTEGER NOT NULL)",
        """CREATE TABLE notice_words (
            id INTEGER PRIMARY KEY AUTOINCREMENT, written_wall_ms INTEGER NOT NULL,
            word TEXT NOT NULL, key TEXT NOT NULL, length INTEGER NOT NULL,
            taken INTEGER NOT NULL DEFAULT 0
        )""",
    ),
)

VERSION = len(STEPS)


def version(database: sqlite3.Connection) -> int:
    """How many of the steps the file has had; 0: an empty file."""
    found: int = database.execute("PRAGMA user_version").fetchone()[0]
    return found


def application_id(database: sqlite3.Connection) -> int:
    """Whose file it is; 0: nobody's yet."""
    found: int = database.execute("PRAGMA application_id").fetchone()[0]
    return found


def migrate(database: sqlite3.Connection) -> None:
    """Take the steps that are missing, all or none of them; another process may try at once."""
    database.execute("BEGIN EXCLUSIVE")
    try:
        for step in STEPS[version(database) :]:
            for statement in step:
                database.execute(statement)
        database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        database.execute(f"PRAGMA user_version = {VERSION}")
        database.execute("COMMIT")
    except BaseException:
        if database.in_transaction:
            database.execute("ROLLBACK")
        raise

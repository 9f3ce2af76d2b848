"""The journal's tables on PostgreSQL, and how an older schema becomes a newer one.

Knows SQL. Does not know what the rows mean. A step, once released, is never changed: a new need is
a new step at the end of the list. The tables of `schema` are here under the same names.
"""

from __future__ import annotations

STEPS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE events (
            seq bigint PRIMARY KEY, heard bigint NOT NULL, kind text NOT NULL, body text NOT NULL
        )""",
        """CREATE TABLE outcomes (
            seq bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
            event_seq bigint NOT NULL REFERENCES events(seq),
            kind text NOT NULL, body text NOT NULL
        )""",
        "CREATE INDEX outcomes_of_event ON outcomes(event_seq)",
        """CREATE TABLE entries (
            id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY, written_wall_ms bigint NOT NULL,
            kind text NOT NULL, body text NOT NULL, taken_seq bigint, answer text
        )""",
        "CREATE INDEX entries_waiting ON entries(id) WHERE answer IS NULL",
        "CREATE TABLE snapshots (seq bigint PRIMARY KEY, body text NOT NULL)",
        # `kept_at`, by this database's clock: how long ago that was for whoever comes next, on
        # whatever machine and with whatever clock.
        """CREATE TABLE meta (
            id integer PRIMARY KEY CHECK (id = 1), line bigint NOT NULL, wall_ms bigint NOT NULL,
            boot_ms bigint NOT NULL, boot_id text NOT NULL, kept_at timestamptz NOT NULL
        )""",
        """CREATE TABLE plans (
            fingerprint text PRIMARY KEY, sources text NOT NULL, loaded_seq bigint NOT NULL
        )""",
        """CREATE TABLE incidents (
            key text PRIMARY KEY, number bigint NOT NULL, body text NOT NULL
        )""",
        """CREATE TABLE outbox (
            number bigint PRIMARY KEY, incident bigint NOT NULL, key text NOT NULL,
            channel text NOT NULL, text text NOT NULL, urgent bigint NOT NULL,
            made bigint NOT NULL, due bigint NOT NULL, tries bigint NOT NULL, done bigint,
            dropped text NOT NULL, error text NOT NULL
        )""",
        "CREATE TABLE proven (channel text PRIMARY KEY, at bigint NOT NULL)",
        "CREATE TABLE outbox_read (id integer PRIMARY KEY CHECK (id = 1), seq bigint NOT NULL)",
        """CREATE TABLE notice_words (
            id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY, written_wall_ms bigint NOT NULL,
            word text NOT NULL, key text NOT NULL, length bigint NOT NULL,
            taken integer NOT NULL DEFAULT 0
        )""",
        # Whose site it is, and who commands it. `fence` grows by one with each new owner, in the
        # transaction that takes the lock, and never goes back; `beats` with each sign of life.
        """CREATE TABLE ownership (
            id integer PRIMARY KEY CHECK (id = 1), site text NOT NULL, fence bigint NOT NULL,
            beats bigint NOT NULL, host text NOT NULL, pid bigint NOT NULL,
            taken_at timestamptz, beat_at timestamptz
        )""",
    ),
)

VERSION = len(STEPS)

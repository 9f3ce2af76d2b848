"""What only the journal on PostgreSQL does: one owner over machines, and a server that fails.

Facts held here against: PostgreSQL 15's documentation, 13.3.5 (advisory locks), 20.5 (WAL:
synchronous_commit, fsync), 34 (libpq: pgpass) and appendix A (error codes).
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path

import psycopg
import pytest
from postgres_kit import Server, served

from carerules.adapters import (
    ClockAnchor,
    Hold,
    JournalBusy,
    OutboxFile,
    PostgresPlace,
    is_there,
    open_journal,
    owner_of,
    ownership,
    postgres_schema,
    schema,
    watch_over,
)
from carerules.adapters.clock import HOST
from carerules.adapters.postgres import PostgresJournal, PostgresRows
from carerules.domain.decision import SwitchOn
from carerules.domain.event import Tick
from carerules.domain.notice import Letter, Outbox
from carerules.domain.ports import JournalError, NotOwnerError

PATIENCE_S = 60.0
ON = SwitchOn("A-load", 90, "job-1", 1, renewal=False)


@pytest.fixture
def place(postgres: Server) -> PostgresPlace:
    return postgres.place()


@contextmanager
def owner(place: PostgresPlace) -> Iterator[PostgresJournal]:
    with closing(PostgresJournal.open(place, owner=True)) as journal:
        yield journal


@contextmanager
def plain(place: PostgresPlace) -> Iterator[psycopg.Connection[tuple[object, ...]]]:
    """The database as anybody with its password sees it."""
    settings = f"-c search_path={place.schema}"
    with closing(psycopg.connect(place.url, autocommit=True, options=settings)) as session:
        yield session


def rows_of(journal: PostgresJournal) -> PostgresRows:
    assert isinstance(journal._rows, PostgresRows)
    return journal._rows


def fence(journal: PostgresJournal) -> int:
    found = rows_of(journal).fence
    assert found is not None
    return found


def cut(place: PostgresPlace) -> None:
    """The server ends the owner's session, as when it restarts."""
    with plain(place) as session:
        row = session.execute("SELECT fence, beats FROM ownership").fetchone()
        assert row is not None
        assert ownership.evict(session, place.schema, *row)  # type: ignore[arg-type]
    end = time.monotonic() + PATIENCE_S
    while owner_of(place) is not None:  # it is told to end, and ends when it has its turn
        assert time.monotonic() < end, "the session has not ended"
        time.sleep(0.01)


# ---- durable, in its own tables --------------------------------------------------------------


def test_a_commit_is_durable_whatever_the_server_was_told(place: PostgresPlace) -> None:
    with owner(place) as journal:
        asked = "SELECT current_setting('synchronous_commit'), current_setting('search_path')"
        assert journal._rows.all(asked) == [("on", place.schema)]


def test_a_server_that_may_lose_a_commit_is_refused(tmp_path: Path) -> None:
    with served("-c", "fsync=off") as careless, pytest.raises(JournalError, match="fsync = off"):
        open_journal(careless.place(), owner=True)


def test_it_has_the_tables_and_columns_that_the_file_has(
    place: PostgresPlace, tmp_path: Path
) -> None:
    with owner(place), plain(place) as session:
        found = session.execute(
            "SELECT table_name, column_name FROM information_schema.columns "
            "WHERE table_schema = %s", (place.schema,)
        ).fetchall()  # fmt: skip
    ours: dict[str, set[str]] = {}
    for table, column in found:
        ours.setdefault(str(table), set()).add(str(column))
    with closing(open_journal(tmp_path / "journal.db", owner=True)) as file:
        for (table,) in file._rows.all("SELECT name FROM sqlite_schema WHERE type = 'table'"):
            if table.startswith("sqlite_"):
                continue
            columns = {row[1] for row in file._rows.all(f"PRAGMA table_info({table})")}
            assert columns == ours[table] - {"kept_at"}, table
    assert ours.keys() >= {"ownership", "care_version"}
    assert schema.VERSION == 3  # a step added there wants its twin in `postgres_schema`


def test_nothing_is_there_before_it_is_begun(place: PostgresPlace) -> None:
    assert not is_there(place)
    assert owner_of(place) is None
    with owner(place):
        assert is_there(place)
        assert owner_of(place) == os.getpid()
    assert is_there(place)
    assert owner_of(place) is None


def test_who_closes_owns_no_longer_before_the_server_notices_that_the_session_ended(
    place: PostgresPlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    """PostgreSQL 15, 13.3.5: a lock of a session is held until it is let go, or the session ends;
    the server's process for it may be late to see that."""
    with owner(place) as journal, closing(rows_of(journal)._connection) as session:
        with monkeypatch.context() as late:
            late.setattr(session, "close", lambda: None)
            journal.close()
        assert not session.closed
        assert owner_of(place) is None
        with owner(place) as following:
            assert fence(following) == 2


def test_a_schema_of_something_else_is_not_touched(place: PostgresPlace) -> None:
    with plain(place) as session:
        session.execute(f"CREATE SCHEMA {place.schema}")
        session.execute("CREATE TABLE birds (name text)")
        with pytest.raises(JournalError, match="tables of something else"):
            open_journal(place, owner=True)
        count = "SELECT count(*) FROM pg_tables WHERE schemaname = %s"
        assert session.execute(count, (place.schema,)).fetchone() == (1,)


def test_a_schema_that_was_made_for_the_user_is_enough(
    place: PostgresPlace, postgres: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    with plain(place) as session:
        session.execute("CREATE ROLE plain LOGIN PASSWORD 'plain'")
        for made in (place.schema, "carerules_fleet"):
            session.execute(f"DROP SCHEMA IF EXISTS {made} CASCADE")
            session.execute(f"CREATE SCHEMA {made} AUTHORIZATION plain")
    monkeypatch.setenv("PGPASSWORD", "plain")
    theirs = replace(place, url=place.url.replace("survey@", "plain@"))
    with owner(theirs) as journal, closing(watch_over([theirs])) as watch:
        assert fence(journal) == 1
        seen, peers = watch.look()
        assert seen[place.schema][0] == 1
        assert seen[place.schema].owned
        assert peers == {watch.number: 1}
    strange = replace(theirs, schema="care_not_made")
    with pytest.raises(JournalError, match="the user may not do this"):
        open_journal(strange, owner=True)
    monkeypatch.delenv("PGPASSWORD")
    with plain(place) as session:
        session.execute("DROP SCHEMA carerules_fleet CASCADE")


def test_a_schema_keeps_to_its_site(place: PostgresPlace) -> None:
    with owner(place):
        pass
    with pytest.raises(JournalError, match="keeps the site `north camp`, and this is `south camp`"):
        open_journal(replace(place, site="south camp"), owner=True)


def test_versions(place: PostgresPlace, monkeypatch: pytest.MonkeyPatch) -> None:
    with owner(place) as journal:
        journal.write(Tick(1), [])
        journal.commit()
    step = "ALTER TABLE plans ADD COLUMN remark text"
    monkeypatch.setattr(postgres_schema, "STEPS", (*postgres_schema.STEPS, (step,)))
    monkeypatch.setattr(postgres_schema, "VERSION", 2)
    with pytest.raises(JournalError, match="start the service once"):
        open_journal(place, owner=False)
    with owner(place) as journal:
        assert list(journal.events()) == [(1, Tick(1))]
        assert journal._rows.all("SELECT remark FROM plans") == []
    monkeypatch.undo()
    with pytest.raises(JournalError, match=r"is of version 2.*install the newer program"):
        open_journal(place, owner=False)


def test_a_step_that_fails_leaves_it_as_it_was(
    place: PostgresPlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    with owner(place):
        pass
    first = postgres_schema.STEPS
    monkeypatch.setattr(postgres_schema, "VERSION", 2)
    failing = ("ALTER TABLE plans ADD COLUMN remark text", "CREATE TABLE events (x bigint)")
    monkeypatch.setattr(postgres_schema, "STEPS", (*first, failing))
    with pytest.raises(JournalError, match="already exists"):
        open_journal(place, owner=True)
    monkeypatch.undo()
    with owner(place) as journal, pytest.raises(JournalError, match="remark"):
        journal._rows.all("SELECT remark FROM plans")


def test_the_outbox_lies_beside_it(place: PostgresPlace) -> None:
    letter = Letter(1, 1, "key\0", "crew", "text", True, 10, 20)
    with owner(place), closing(OutboxFile(place)) as outbox:
        assert outbox.read_up_to() == 0
        before = outbox.load()
        after = Outbox({}, {1: letter}, {"crew": 5})
        outbox.save(before, after, 7)
        assert outbox.load() == replace(after, letters={1: replace(letter, key="key\ufffd")})
        outbox.save(after, Outbox({}, {}, {"crew": 6}), 8)
        assert outbox.load() == Outbox({}, {}, {"crew": 6})
        assert outbox.read_up_to() == 8


def test_what_has_passed_is_measured_by_the_database(place: PostgresPlace) -> None:
    with owner(place) as journal:
        # Of a machine whose wall clock is 50 years ahead: the next one must not jump as far.
        journal.commit(ClockAnchor(1_000, HOST.wall_ms() + 50 * 365 * 86_400_000, 7, "another"))
        journal._rows.all("UPDATE meta SET kept_at = kept_at - interval '1 hour'")
        clock = journal.clock()
    assert clock is not None
    assert 3_600_000 <= HOST.wall_ms() - clock.wall_ms <= 3_660_000
    assert (clock.line, clock.boot_ms, clock.boot_id) == (1_000, 7, "another")


# ---- one owner -------------------------------------------------------------------------------


def test_the_number_only_grows(place: PostgresPlace) -> None:
    numbers = []
    for _ in range(3):
        with owner(place) as journal:
            numbers.append(fence(journal))
            with pytest.raises(JournalBusy) as busy:
                open_journal(place, owner=True)
            assert busy.value.pid == os.getpid()
    assert numbers == [1, 2, 3]


def test_an_owner_that_was_followed_commits_nothing(place: PostgresPlace) -> None:
    with owner(place) as first:
        first.write(Tick(1), [ON])
        first.commit()
        # As after a proxy that hid the end of the session: only the number tells.
        with plain(place) as session:
            session.execute("UPDATE ownership SET fence = fence + 1")
        first.write(Tick(2), [ON])
        for _ in range(2):
            with pytest.raises(NotOwnerError, match="has another owner by now"):
                first.commit()
        with pytest.raises(NotOwnerError):
            first.check_in_place()
        assert first.hold() is Hold.ANOTHERS
    with closing(open_journal(place, owner=False)) as reader:
        assert [event for _, event in reader.events()] == [Tick(1)]
        assert list(reader.outcomes()) == [(1, ON)]


def test_a_commit_without_anything_to_write_proves_it_too(place: PostgresPlace) -> None:
    # A renewed ON is not journalled: its commit is empty, and must fail all the same.
    with owner(place) as journal, plain(place) as session:
        journal.commit()
        session.execute("UPDATE ownership SET fence = fence + 1")
        with pytest.raises(NotOwnerError):
            journal.commit()


def test_nobody_becomes_the_owner_between_proof_and_commit(place: PostgresPlace) -> None:
    with owner(place) as journal, plain(place) as session:
        session.execute("SET lock_timeout = '200ms'")
        rows = rows_of(journal)
        with rows._connection.transaction():
            assert rows._ownership is not None
            rows._ownership.prove(rows._connection)
            with pytest.raises(psycopg.errors.LockNotAvailable):
                session.execute("UPDATE ownership SET fence = fence + 1")


def test_a_session_that_is_lost_is_an_ownership_that_is_lost(place: PostgresPlace) -> None:
    with owner(place) as journal:
        journal.write(Tick(1), [])
        cut(place)
        with pytest.raises(JournalError, match="cannot be reached"):
            journal.commit()
        assert journal.hold() is Hold.UNKNOWN  # nobody has followed: OFF may still be said
        with pytest.raises(JournalError):
            journal.commit()  # and not begun anew: what waited is not written twice
        with owner(place) as second:
            assert fence(second) == 2
            assert list(second.events()) == []


def test_after_a_long_freeze_the_database_is_asked_before_anything_is_said(
    place: PostgresPlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    later = 0
    frozen = replace(HOST, boot_ms=lambda: HOST.boot_ms() + later)
    monkeypatch.setattr(ownership, "HOST", frozen)
    with owner(place) as first:
        later += 60_000  # SIGSTOP, and nobody has followed meanwhile
        assert first.hold() is Hold.OURS
        cut(place)
        with owner(place):
            later += 60_000
            assert first.hold() is Hold.ANOTHERS


def test_a_frozen_owner_is_evicted_and_one_that_beats_is_not(place: PostgresPlace) -> None:
    with owner(place) as journal, plain(place) as session:
        row = session.execute("SELECT fence, beats FROM ownership").fetchone()
        assert row is not None
        journal.commit()  # it beats
        assert not ownership.evict(session, place.schema, *row)  # type: ignore[arg-type]
        journal.commit()
        cut(place)
        with pytest.raises(JournalError):
            journal.commit()


HOLDER = """
import sys, time
from carerules.adapters import PostgresPlace, open_journal
journal = open_journal(PostgresPlace(*sys.argv[1:]), owner=True)
print("held", flush=True)
time.sleep(600)
"""


def test_a_killed_owner_leaves_no_lock_behind_and_a_frozen_one_does(place: PostgresPlace) -> None:
    said = [sys.executable, "-c", HOLDER, place.url, place.schema, place.site]
    with subprocess.Popen(said, stdout=subprocess.PIPE) as holder:
        try:
            assert holder.stdout is not None
            assert holder.stdout.readline() == b"held\n"
            holder.send_signal(signal.SIGSTOP)
            with pytest.raises(JournalBusy, match=f"process {holder.pid}"):
                open_journal(place, owner=True)
            cut(place)
            with owner(place) as second:
                assert fence(second) == 2
        finally:
            holder.kill()
            holder.wait()


# ---- a server that fails ---------------------------------------------------------------------


def test_a_server_that_hangs_is_taken_for_lost(
    place: PostgresPlace, postgres: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("carerules.adapters.postgres.ANSWER_S_MAX", 0.5)
    with owner(place) as journal:
        journal.write(Tick(1), [])
        with postgres.frozen(), pytest.raises(JournalError, match="no answer within"):
            journal.commit()
        assert journal.hold() is not Hold.OURS


def test_a_server_that_restarts_ends_the_ownership_and_a_reader_goes_on(tmp_path: Path) -> None:
    with served() as server:
        place = server.place()
        with owner(place) as journal, closing(open_journal(place, owner=False)) as reader:
            journal.write(Tick(1), [ON])
            journal.commit()
            server.stop(signal.SIGQUIT)  # as after a crash: recovered from its log
            with pytest.raises(JournalError, match="cannot be reached"):
                journal.commit()
            server.start()
            with pytest.raises(JournalError):
                journal.commit()
            with pytest.raises(JournalError, match="cannot be reached"):
                reader.snapshots()  # it finds its session ended
            assert list(reader.outcomes()) == [(1, ON)]
        with owner(place) as second:
            assert fence(second) == 2


def test_a_wrong_password_is_told_and_no_password_shows(
    place: PostgresPlace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PGPASSFILE", str(tmp_path / "none"))
    monkeypatch.setenv("PGPASSWORD", "kept-secret")
    with pytest.raises(JournalError, match="refuses the login") as no:
        open_journal(place, owner=True)
    assert "PGPASSFILE" in no.value.mend
    shown = f"{no.value} {no.value.__cause__} {place!r}"
    assert "kept-secret" not in shown


def test_a_server_that_is_not_there_is_told(place: PostgresPlace) -> None:
    away = replace(place, url="postgresql://survey@127.0.0.1:1/postgres")
    with pytest.raises(JournalError, match="cannot be reached"):
        open_journal(away, owner=False)
    assert owner_of(away) is None


def test_a_database_that_is_not_there_is_told(place: PostgresPlace) -> None:
    away = replace(place, url=place.url.replace("/postgres", "/nowhere"))
    with pytest.raises(JournalError, match="there is no such database"):
        open_journal(away, owner=False)


def test_a_value_never_becomes_part_of_a_statement(place: PostgresPlace) -> None:
    with owner(place) as journal:
        nasty = {"a'); DROP TABLE events; --": "%s ? $1"}
        journal.save_plan("'; DELETE FROM plans; --", nasty)
        journal.commit()
        assert journal.plan("'; DELETE FROM plans; --") == nasty

"""The journal's file: what was committed is there, whatever happens to the process or the disk.

Facts held here against: SQLite's documentation of WAL mode, `PRAGMA synchronous`, `user_version`,
`application_id` and result codes.
"""

from __future__ import annotations

import fcntl
import os
import sqlite3
import stat
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import pytest

from carerules.adapters import (
    ClockAnchor,
    JournalBusy,
    Recorded,
    SqliteJournal,
    schema,
)
from carerules.domain.decision import AskPlug, Notice, SwitchOn
from carerules.domain.event import Tick
from carerules.domain.ports import JournalError

ON = SwitchOn("A-load", 90, "job-1", 1, renewal=False)
ANCHOR = ClockAnchor(10, 20, 30, "boot")
CHARGED = Recorded("heron", ("charge", "full"), datetime(2025, 12, 5, 8, tzinfo=UTC))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state" / "site.journal"


def owned(path: Path) -> SqliteJournal:
    return SqliteJournal.open(path, owner=True)


def test_an_owner_waits_for_one_who_looks_and_is_held_up_in_it(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """flock(2): who looks has the lock shared, which keeps an owner out for as long."""
    owned(path).close()
    looks = os.open(path.with_name(path.name + ".lock"), os.O_RDONLY)
    fcntl.flock(looks, fcntl.LOCK_SH)
    turns = iter(range(10**6))

    def sleep(_s: float) -> None:
        if next(turns) == 10:
            os.close(looks)

    monkeypatch.setattr("carerules.adapters.store.time", SimpleNamespace(sleep=sleep))
    owned(path).close()
    assert next(turns) == 11
    with closing(owned(path)), pytest.raises(JournalBusy):
        owned(path)
    assert next(turns) < 20, "an owner is told of at once"


def test_the_file_is_for_its_owner_only_and_fully_synced(path: Path) -> None:
    journal = owned(path)
    journal.write(Tick(1), [])
    journal.commit()
    modes = {file.name: stat.S_IMODE(file.stat().st_mode) for file in path.parent.iterdir()}
    assert set(modes) == {path.name + end for end in ("", "-wal", "-shm", ".lock")}
    assert set(modes.values()) == {0o600}
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    asked = {
        name: journal._database.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
    }
    # https://www.sqlite.org/pragma.html#pragma_synchronous: FULL is 2
    assert asked == {
        "journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 2_000,
    }  # fmt: skip
    journal.close()


# ---- faults of the file ----------------------------------------------------------------------


def test_a_full_disk_is_told_and_what_waits_is_written_later(path: Path) -> None:
    journal = owned(path)
    journal.write(Tick(1), [])
    journal.commit()
    pages = journal._database.execute("PRAGMA page_count").fetchone()[0]
    journal._database.execute(f"PRAGMA max_page_count = {pages}")
    for moment in range(2, 500):
        journal.write(Tick(moment), [Notice("key", "text" * 50)])
    with pytest.raises(JournalError, match="the disk is full") as full:
        journal.commit(ANCHOR)
    assert full.value.mend.startswith("free some space")
    assert len(list(journal.events())) == 1
    journal._database.execute("PRAGMA max_page_count = 1000000")
    journal.commit(ANCHOR)
    assert len(list(journal.events())) == 499
    journal.close()


def test_a_held_file_is_told(path: Path) -> None:
    journal = owned(path)
    journal._database.execute("PRAGMA busy_timeout = 0")
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    journal.write(Tick(1), [])
    with pytest.raises(JournalError, match="another program holds it"):
        journal.commit()
    other.execute("ROLLBACK")
    journal.commit()
    assert [event for _, event in journal.events()] == [Tick(1)]
    other.close()
    journal.close()


@pytest.mark.parametrize(
    "content", [b"no database at all" * 100, b"SQLite format 3\0" + b"x" * 500]
)
def test_a_file_that_is_no_database_is_named_and_left_alone(path: Path, content: bytes) -> None:
    path.parent.mkdir()
    path.write_bytes(content)
    with pytest.raises(JournalError, match="is damaged") as damaged:
        owned(path)
    assert str(path) in damaged.value.what
    assert "move it aside" in damaged.value.mend
    assert path.read_bytes() == content
    path.rename(path.with_suffix(".damaged"))
    owned(path).close()  # and the lock was let go


def test_damaged_pages_are_found_when_the_owner_opens(path: Path) -> None:
    journal = owned(path)
    for moment in range(2_000):
        journal.write(Tick(moment), [])
    journal.commit()
    journal.close()
    content = bytearray(path.read_bytes())
    content[5 * 4096 : 6 * 4096] = os.urandom(4096)
    path.write_bytes(content)
    with pytest.raises(JournalError, match="is damaged"):
        owned(path)
    assert path.read_bytes() == bytes(content)


def test_a_database_of_something_else_is_not_touched(path: Path) -> None:
    path.parent.mkdir()
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE birds (name TEXT)")
    other.commit()
    other.close()
    before = path.read_bytes()
    with pytest.raises(JournalError, match="something else"):
        owned(path)
    assert path.read_bytes() == before


def test_a_folder_that_cannot_be_written_is_told(path: Path) -> None:
    path.parent.mkdir()
    path.mkdir()  # a folder in the file's place: root may write anywhere else
    with pytest.raises(JournalError, match="is a directory"):
        owned(path)


# ---- versions --------------------------------------------------------------------------------


def old_journal(path: Path, version: int) -> None:
    """A journal as the program of that version left it."""
    path.parent.mkdir()
    database = sqlite3.connect(path, isolation_level=None)
    for step in schema.STEPS[:version]:
        for statement in step:
            database.execute(statement)
    database.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
    database.execute(f"PRAGMA user_version = {version}")
    database.execute("""INSERT INTO events VALUES (1, 7, 'tick', '[{"heard": 7}]')""")
    database.execute("INSERT INTO outcomes VALUES (1, 1, 'ask-plug', '[{\"plug\": \"a\"}]')")
    database.close()


def test_a_journal_of_version_1_is_brought_up(path: Path) -> None:
    old_journal(path, 1)
    with pytest.raises(JournalError, match="start the service once"):
        SqliteJournal.open(path, owner=False)
    journal = owned(path)
    assert list(journal.events()) == [(1, Tick(7))]
    assert list(journal.outcomes()) == [(1, AskPlug("a"))]
    journal.save_plan("f", {"a": "b"})
    journal.commit()
    assert journal.plan("f") == {"a": "b"}
    assert schema.version(journal._database) == schema.VERSION
    journal.close()


def test_an_old_journal_has_the_tables_of_a_new_one(path: Path, tmp_path: Path) -> None:
    old_journal(path, 1)
    shapes = []
    for file in (path, tmp_path / "new" / "journal"):
        journal = owned(file)
        shapes.append(
            journal._database.execute("SELECT sql FROM sqlite_master ORDER BY name").fetchall()
        )
        journal.close()
    assert shapes[0] == shapes[1]


def test_a_step_that_fails_leaves_the_journal_as_it_was(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old_journal(path, 1)
    first, second = schema.STEPS[:2]
    monkeypatch.setattr(schema, "STEPS", (first, (*second, "CREATE TABLE events (x)")))
    with pytest.raises(JournalError, match="already exists"):
        owned(path)
    monkeypatch.setattr(schema, "STEPS", (first, second))
    journal = owned(path)
    assert list(journal.events()) == [(1, Tick(7))]
    journal.close()


def test_a_journal_of_the_future_is_refused(path: Path) -> None:
    old_journal(path, schema.VERSION)
    database = sqlite3.connect(path)
    database.execute(f"PRAGMA user_version = {schema.VERSION + 1}")
    database.close()
    with pytest.raises(JournalError, match="install the newer program"):
        owned(path)


def test_a_journal_that_is_moved_away_under_its_owner_is_a_fault(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    journal = SqliteJournal.open(path, owner=True)
    journal.check_in_place()
    path.rename(tmp_path / "away.db")
    with pytest.raises(JournalError, match="moved away"):
        journal.check_in_place()
    SqliteJournal.open(path, owner=False).close()  # somebody makes a new one in its place
    with pytest.raises(JournalError, match="moved away"):
        journal.check_in_place()
    journal.close()


def test_a_second_look_in_this_process_lets_go_of_no_lock(path: Path) -> None:
    # Source: fcntl(2), and sqlite.org/howtocorrupt.html 2.2: closing any descriptor of a file lets
    # go of all POSIX locks that the process has on it.
    service = owned(path)
    service.write(Tick(1), [])
    service.commit()
    SqliteJournal.open(path, owner=False).close()  # a board in the same process takes an entry in
    another = "from carerules.adapters import SqliteJournal as J; import sys;"
    leaves = f"{another} J.open(sys.argv[1], owner=False).close()"
    subprocess.run([sys.executable, "-c", leaves, str(path)], check=True)
    assert path.with_name(path.name + "-wal").exists()
    service.write(Tick(2), [])
    service.commit()
    counts = f"{another} print(len(list(J.open(sys.argv[1], owner=False).events())))"
    seen = subprocess.run(
        [sys.executable, "-c", counts, str(path)], check=True, capture_output=True, text=True
    )
    assert seen.stdout == "2\n"
    service.close()
    service.close()  # counted once
    with closing(owned(path)) as again:
        assert [event.heard for _, event in again.events()] == [1, 2]

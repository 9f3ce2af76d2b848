"""The journal's file: what was committed is there, whatever happens to the process or the disk.

Facts held here against: SQLite's documentation of WAL mode, `PRAGMA synchronous`, `user_version`,
`application_id` and result codes.
"""

from __future__ import annotations

import os
import signal
import sqlite3
import stat
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from carerules.adapters import (
    ClockAnchor,
    DamagedRowError,
    JournalBusy,
    Recorded,
    SqliteJournal,
    Stop,
    schema,
)
from carerules.adapters.journal import ENTRIES_WAITING_MAX, PENDING_ROWS_MAX
from carerules.domain.decision import AskPlug, Notice, SwitchOn
from carerules.domain.event import PlugLink, Sample, Tick, Value
from carerules.domain.ports import Journal, JournalError

ON = SwitchOn("A-load", 90, "job-1", 1, renewal=False)
ANCHOR = ClockAnchor(10, 20, 30, "boot")
CHARGED = Recorded("heron", ("charge", "full"), datetime(2025, 12, 5, 8, tzinfo=UTC))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state" / "site.journal"


def owned(path: Path) -> SqliteJournal:
    return SqliteJournal.open(path, owner=True)


def test_it_is_what_the_service_asks_for(path: Path) -> None:
    journal: Journal = owned(path)
    journal.write(Tick(1), [])
    journal.commit()
    assert isinstance(journal, SqliteJournal)
    journal.close()


def test_what_is_committed_comes_back_in_order(path: Path) -> None:
    journal = owned(path)
    journal.write(Tick(5), [ON, AskPlug("A-load")])
    journal.write(Tick(6), [])
    journal.write(Sample(7, 6, "heron", (Value("pack.soc", 80.0),), "x"), [Notice("k", "t")])
    assert journal.last_seq == 3
    assert list(journal.events()) == []  # not durable: not there
    journal.commit(ANCHOR)
    journal.close()

    journal = owned(path)
    assert [seq for seq, _ in journal.events()] == [1, 2, 3]
    assert list(journal.events(2)) == [(3, Sample(7, 6, "heron", (Value("pack.soc", 80.0),), "x"))]
    assert list(journal.outcomes()) == [(1, ON), (1, AskPlug("A-load")), (3, Notice("k", "t"))]
    assert list(journal.outcomes(1)) == [(3, Notice("k", "t"))]
    assert list(journal.outcomes(newest=2)) == [(1, AskPlug("A-load")), (3, Notice("k", "t"))]
    assert list(journal.outcomes(1, newest=2)) == [(3, Notice("k", "t"))]
    assert list(journal.outcomes(newest=0)) == []
    assert journal.recent(2) == list(journal.events(1))
    assert journal.clock() == ANCHOR
    journal.write(Tick(8), [])
    assert journal.last_seq == 4
    journal.close()


def test_more_events_than_a_page(path: Path) -> None:
    journal = owned(path)
    for moment in range(2_500):
        journal.write(Tick(moment), [])
    journal.commit()
    assert [event.heard for _, event in journal.events()] == list(range(2_500))
    journal.close()


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


def test_the_last_three_snapshots_are_kept(path: Path) -> None:
    journal = owned(path)
    assert journal.last_snapshot() is None
    for seq in range(1, 6):
        journal.save_snapshot(seq, f"state {seq}")
    journal.commit()
    assert journal.last_snapshot() == (5, "state 5")
    assert journal.snapshots() == [(5, "state 5"), (4, "state 4"), (3, "state 3")]
    journal.close()


def test_chatter_is_forgotten_and_facts_are_not(path: Path) -> None:
    journal = owned(path)
    journal.write(Tick(1), [])
    journal.write(Tick(2), [ON])  # something was decided on it
    journal.write(PlugLink(3, "A-load", up=True), [])
    journal.write(Sample(4, 4, "heron", (), "x"), [])
    journal.commit()
    assert journal.forget(4) == 0  # no snapshot has taken them in
    journal.save_snapshot(3, "state")
    journal.write(Tick(5), [])
    journal.commit()
    assert journal.forget(4) == 1
    assert [seq for seq, _ in journal.events()] == [2, 3, 4, 5]
    assert list(journal.outcomes()) == [(2, ON)]
    journal.save_snapshot(5, "state")
    for seq in (6, 7):
        journal.save_snapshot(seq, "state")
    journal.commit()
    assert journal.forget(1_000) == 1  # but never the newest: its number is not given twice
    assert [seq for seq, _ in journal.events()] == [2, 3, 5]
    journal.close()
    journal = owned(path)
    assert journal.last_seq == 5
    journal.close()


def test_a_plan_is_kept_once(path: Path) -> None:
    journal = owned(path)
    journal.save_plan("f1", {"site.care": 'rule ü: "x"'})
    journal.save_plan("f1", {"site.care": "later"})
    journal.commit()
    assert journal.plan("f1") == {"site.care": 'rule ü: "x"'}
    assert journal.plan("f2") is None
    journal.close()


def test_entries_are_left_by_anybody_and_answered_with_their_events(path: Path) -> None:
    journal = owned(path)
    visitor = SqliteJournal.open(path, owner=False)
    number = visitor.add_entry(CHARGED, 123)
    assert visitor.entry_answer(number) is None
    waiting = journal.waiting_entries()
    assert [(each.id, each.written_wall_ms, each.entry) for each in waiting] == [
        (number, 123, CHARGED)
    ]
    journal.write(Tick(1), [])
    journal.answer_entry(number, "taken down")
    assert journal.waiting_entries() == []  # not twice, even before the commit
    assert visitor.entry_answer(number) is None  # and not answered before it is durable
    journal.commit()
    assert visitor.entry_answer(number) == "taken down"
    assert visitor.waiting_entries() == []
    journal.answer_entry(number, "again")
    journal.commit()
    assert visitor.entry_answer(number) == "taken down"
    visitor.close()
    journal.close()


def test_an_entry_may_come_before_the_first_service(path: Path) -> None:
    visitor = SqliteJournal.open(path, owner=False)
    visitor.add_entry(Stop("a person"), 1)
    visitor.close()
    journal = owned(path)
    assert [each.entry for each in journal.waiting_entries()] == [Stop("a person")]
    journal.close()


def test_entries_do_not_pile_up_without_end(path: Path) -> None:
    visitor = SqliteJournal.open(path, owner=False)
    visitor._database.execute("BEGIN")
    for _ in range(ENTRIES_WAITING_MAX):
        visitor.add_entry(CHARGED, 1)
    with pytest.raises(JournalError, match="start the service"):
        visitor.add_entry(CHARGED, 1)
    visitor.close()


def test_only_the_owner_writes(path: Path) -> None:
    visitor = SqliteJournal.open(path, owner=False)
    with pytest.raises(JournalError, match="for reading only"):
        visitor.write(Tick(1), [])
    visitor.close()


def test_what_waits_for_a_commit_is_bounded(path: Path) -> None:
    journal = owned(path)
    journal._pending = [("SELECT 1", ())] * PENDING_ROWS_MAX
    with pytest.raises(JournalError, match="could not be written"):
        journal.write(Tick(1), [])
    assert journal.last_seq == 0
    journal.close()


# ---- one owner -------------------------------------------------------------------------------

HOLDER = """
import sys, time
from carerules.adapters import SqliteJournal
journal = SqliteJournal.open(sys.argv[1], owner=True)
print("held", flush=True)
time.sleep(60)
"""


def test_a_second_process_is_refused_and_told_who_holds_it(path: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path)], stdout=subprocess.PIPE
    ) as holder:
        try:
            assert holder.stdout is not None
            assert holder.stdout.readline() == b"held\n"
            with pytest.raises(JournalBusy, match=f"process {holder.pid}, which is running") as no:
                owned(path)
            assert no.value.pid == holder.pid
            visitor = SqliteJournal.open(path, owner=False)  # but entries may be left
            visitor.add_entry(CHARGED, 1)
            visitor.close()
        finally:
            holder.send_signal(signal.SIGKILL)
            holder.wait(10)
    journal = owned(path)  # a killed owner leaves no lock behind
    assert len(journal.waiting_entries()) == 1
    journal.close()


def test_a_second_owner_in_this_process_is_refused_too(path: Path) -> None:
    journal = owned(path)
    with pytest.raises(JournalBusy):
        owned(path)
    journal.close()
    owned(path).close()


# ---- death of the writer ---------------------------------------------------------------------

WRITER = """
import sys
from carerules.adapters import ClockAnchor, SqliteJournal
from carerules.domain.decision import AskPlug
from carerules.domain.event import Tick
journal = SqliteJournal.open(sys.argv[1], owner=True)
while True:
    for _ in range(3):
        seq = journal.last_seq + 1
        journal.write(Tick(seq), [AskPlug(f"plug-{seq}"), AskPlug(f"plug-{seq}")])
    journal.save_snapshot(journal.last_seq, str(journal.last_seq))
    journal.commit(ClockAnchor(journal.last_seq, 0, 0, "b"))
    print(journal.last_seq, flush=True)
"""


@pytest.mark.parametrize("told", [1, 7, 40, 200])
def test_all_that_was_committed_survives_kill_9_and_nothing_is_torn(path: Path, told: int) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE
    ) as writer:
        assert writer.stdout is not None
        for _ in range(told):
            promised = int(writer.stdout.readline())
        writer.send_signal(signal.SIGKILL)
        writer.wait(10)
        rest = writer.stdout.read().split(b"\n")[:-1]
    promised = int(rest[-1]) if rest else promised
    journal = owned(path)
    events = list(journal.events())
    assert len(events) >= promised
    assert len(events) % 3 == 0  # a commit is whole or not at all
    assert events == [(seq, Tick(seq)) for seq in range(1, len(events) + 1)]
    assert list(journal.outcomes()) == [
        (seq, AskPlug(f"plug-{seq}")) for seq in range(1, len(events) + 1) for _ in range(2)
    ]
    assert journal.last_snapshot() == (len(events), str(len(events)))
    assert journal.clock() == ClockAnchor(len(events), 0, 0, "b")
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


def test_a_commit_that_fails_half_way_leaves_nothing_behind(path: Path) -> None:
    journal = owned(path)
    journal.write(Tick(1), [])
    journal._pending.append(("INSERT INTO nowhere VALUES (1)", ()))
    with pytest.raises(JournalError, match="no such table"):
        journal.commit()
    visitor = SqliteJournal.open(path, owner=False)
    assert list(visitor.events()) == []
    visitor.add_entry(CHARGED, 1)  # no transaction was left open
    visitor.close()
    journal._pending.pop()
    journal.commit()
    assert [event for _, event in journal.events()] == [Tick(1)]
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


def test_a_damaged_row_is_told_and_the_others_are_read(path: Path) -> None:
    journal = owned(path)
    for moment in range(3):
        journal.write(PlugLink(moment, "A-load", up=True), [ON])
    journal.commit()
    journal._database.execute("UPDATE events SET body = 'x' WHERE seq = 2")
    journal._database.execute("UPDATE outcomes SET kind = 'strange' WHERE seq = 3")
    with pytest.raises(DamagedRowError, match="row 2 of events") as row:
        list(journal.events())
    assert row.value.seq == 2
    told: list[DamagedRowError] = []
    assert [seq for seq, _ in journal.events(on_damage=told.append)] == [1, 3]
    assert [seq for seq, _ in journal.outcomes(on_damage=told.append)] == [1, 2]
    assert [each.seq for each in told] == [2, 3]
    journal.close()


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


def test_the_number_at_a_moment_is_the_last_before_it(tmp_path: Path) -> None:
    journal = SqliteJournal.open(tmp_path / "journal.db", owner=True)
    assert journal.seq_at(5) == 0
    for heard in (10, 20, 20, 30, 45):
        journal.write(Tick(heard), [])
    journal.commit()
    for moment in (0, 10, 11, 20, 21, 30, 31, 45, 46, 100):
        assert journal.seq_at(moment) == sum(h < moment for h in (10, 20, 20, 30, 45)), moment
    journal.close()


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

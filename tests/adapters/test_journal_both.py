"""A journal keeps what it was given, wherever it lies: each test on SQLite and on PostgreSQL.

What only one of the two can do is in `test_journal_file` and `test_journal_postgres`.
"""

from __future__ import annotations

import signal
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from time import monotonic, sleep

import pytest
from postgres_kit import Server

from carerules.adapters import (
    ClockAnchor,
    DamagedRowError,
    JournalBusy,
    JournalPlace,
    KeptJournal,
    Recorded,
    Stop,
    open_journal,
    owner_of,
)
from carerules.adapters.journal import ENTRIES_WAITING_MAX, PENDING_ROWS_MAX
from carerules.domain.decision import AskPlug, Notice, OffProven, SwitchOff, SwitchOn
from carerules.domain.event import A_PERSON, PlugLink, Sample, Started, Tick, Value
from carerules.domain.ports import Journal, JournalError

PATIENCE_S = 60.0
ON = SwitchOn("A-load", 90, "job-1", 1, renewal=False)
ANCHOR = ClockAnchor(10, 20, 30, "boot")
CHARGED = Recorded("heron", ("charge", "full"), datetime(2025, 12, 5, 8, tzinfo=UTC))


@pytest.fixture(params=["sqlite", "postgres"])
def where(request: pytest.FixtureRequest, tmp_path: Path) -> JournalPlace:
    if request.param == "sqlite":
        return tmp_path / "state" / "site.journal"
    server: Server = request.getfixturevalue("postgres")
    return server.place()


def owned(where: JournalPlace) -> KeptJournal:
    return open_journal(where, owner=True)


def owned_after(killed: subprocess.Popen[bytes], where: JournalPlace) -> KeptJournal:
    """The kernel lets go of a file's lock with its process; a server has to notice first."""
    killed.send_signal(signal.SIGKILL)
    killed.wait()
    end = monotonic() + PATIENCE_S
    while not isinstance(where, Path) and owner_of(where) is not None:
        assert monotonic() < end, "the server has not noticed"
        sleep(0.01)
    return owned(where)


def anchored(journal: KeptJournal) -> tuple[int, int, str] | None:
    """The anchor but for its wall clock: PostgreSQL measures what has passed since by its own."""
    clock = journal.clock()
    return None if clock is None else (clock.line, clock.boot_ms, clock.boot_id)


def said(where: JournalPlace) -> list[str]:
    """The place for a program, in its arguments: any place, as it is written."""
    return [repr(where)]


def test_it_is_what_the_service_asks_for(where: JournalPlace) -> None:
    journal: Journal = owned(where)
    journal.write(Tick(1), [])
    journal.commit()
    assert isinstance(journal, KeptJournal)
    journal.close()


def test_what_is_committed_comes_back_in_order(where: JournalPlace) -> None:
    journal = owned(where)
    journal.write(Tick(5), [ON, AskPlug("A-load")])
    journal.write(Tick(6), [])
    journal.write(Sample(7, 6, "heron", (Value("pack.soc", 80.0),), "x"), [Notice("k", "t")])
    assert journal.last_seq == 3
    assert list(journal.events()) == []  # not durable: not there
    journal.commit(ANCHOR)
    journal.close()

    journal = owned(where)
    assert [seq for seq, _ in journal.events()] == [1, 2, 3]
    assert list(journal.events(2)) == [(3, Sample(7, 6, "heron", (Value("pack.soc", 80.0),), "x"))]
    assert list(journal.outcomes()) == [(1, ON), (1, AskPlug("A-load")), (3, Notice("k", "t"))]
    assert list(journal.outcomes(1)) == [(3, Notice("k", "t"))]
    assert list(journal.outcomes(newest=2)) == [(1, AskPlug("A-load")), (3, Notice("k", "t"))]
    assert list(journal.outcomes(1, newest=2)) == [(3, Notice("k", "t"))]
    assert list(journal.outcomes(newest=0)) == []
    assert journal.recent(2) == list(journal.events(1))
    assert anchored(journal) == (10, 30, "boot")
    journal.write(Tick(8), [])
    assert journal.last_seq == 4
    journal.close()


def test_what_was_left_on_since_the_last_start(where: JournalPlace) -> None:
    def on(plug: str) -> SwitchOn:
        return replace(ON, plug=plug)

    journal = owned(where)
    assert journal.left_on() == []
    journal.write(Tick(0), [on("before")])
    journal.write(Started(1), [])
    journal.write(Tick(2), [on("A-load"), on("B-load"), on("C-load")])
    journal.write(Tick(3), [SwitchOff("B-load", "x"), SwitchOff("C-load", "x")])
    journal.write(Tick(4), [OffProven("B-load", 9)])
    journal.commit()
    assert journal.left_on() == ["A-load", "C-load"], "an OFF that was said is not yet one"
    journal.write(Started(5), [])
    journal.commit()
    assert journal.left_on() == []
    journal.close()


def test_more_events_than_a_page(where: JournalPlace) -> None:
    journal = owned(where)
    for moment in range(2_500):
        journal.write(Tick(moment), [])
    journal.commit()
    assert [event.heard for _, event in journal.events()] == list(range(2_500))
    journal.close()


def test_the_last_three_snapshots_are_kept(where: JournalPlace) -> None:
    journal = owned(where)
    assert journal.snapshots() == []
    for seq in range(1, 6):
        journal.save_snapshot(seq, f"state {seq}")
    journal.commit()
    assert journal.snapshots()[0] == (5, "state 5")
    assert journal.snapshots() == [(5, "state 5"), (4, "state 4"), (3, "state 3")]
    journal.close()


def test_chatter_is_forgotten_and_facts_are_not(where: JournalPlace) -> None:
    journal = owned(where)
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
    journal = owned(where)
    assert journal.last_seq == 5
    journal.close()


def test_what_a_person_typed_in_is_never_forgotten(where: JournalPlace) -> None:
    """It may be all that is known of a pack that tells nothing."""
    journal = owned(where)
    volts = (Value("pack.voltage", 15.2, 0.01),)
    for at, source in enumerate(("feed", A_PERSON, "virtual heron"), 1):
        journal.write(Sample(at, at, "heron", volts, source), [])
    journal.write(Tick(4), [])
    journal.save_snapshot(4, "state")
    journal.commit()
    assert journal.forget(4) == 2
    assert [seq for seq, _ in journal.events()] == [2, 4]
    assert [e.source for _, e in journal.events() if isinstance(e, Sample)] == [A_PERSON]
    journal.close()


def test_a_plan_is_kept_once(where: JournalPlace) -> None:
    journal = owned(where)
    journal.save_plan("f1", {"site.care": 'rule ü: "x"'})
    journal.save_plan("f1", {"site.care": "later"})
    journal.commit()
    assert journal.plan("f1") == {"site.care": 'rule ü: "x"'}
    assert journal.plan("f2") is None
    journal.close()


def test_entries_are_left_by_anybody_and_answered_with_their_events(where: JournalPlace) -> None:
    journal = owned(where)
    visitor = open_journal(where, owner=False)
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


def test_an_entry_may_come_before_the_first_service(where: JournalPlace) -> None:
    visitor = open_journal(where, owner=False)
    visitor.add_entry(Stop("a person"), 1)
    visitor.close()
    journal = owned(where)
    assert [each.entry for each in journal.waiting_entries()] == [Stop("a person")]
    journal.close()


def test_entries_do_not_pile_up_without_end(where: JournalPlace) -> None:
    visitor = open_journal(where, owner=False)
    visitor._rows.all("BEGIN")
    for _ in range(ENTRIES_WAITING_MAX):
        visitor.add_entry(CHARGED, 1)
    with pytest.raises(JournalError, match="start the service"):
        visitor.add_entry(CHARGED, 1)
    visitor.close()


def test_only_the_owner_writes(where: JournalPlace) -> None:
    visitor = open_journal(where, owner=False)
    with pytest.raises(JournalError, match="for reading only"):
        visitor.write(Tick(1), [])
    visitor.close()


def test_what_waits_for_a_commit_is_bounded(where: JournalPlace) -> None:
    journal = owned(where)
    journal._pending = [("SELECT 1", ())] * PENDING_ROWS_MAX
    with pytest.raises(JournalError, match="could not be written"):
        journal.write(Tick(1), [])
    assert journal.last_seq == 0
    journal.close()


# ---- one owner -------------------------------------------------------------------------------

HOLDER = """
import sys, time
from pathlib import PosixPath
from carerules import adapters
from carerules.adapters import open_journal
place = eval(sys.argv[1], {**vars(adapters), "PosixPath": PosixPath})
journal = open_journal(place, owner=True)
print("held", flush=True)
time.sleep(600)
"""


def test_a_second_process_is_refused_and_told_who_holds_it(where: JournalPlace) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, *said(where)], stdout=subprocess.PIPE
    ) as holder:
        try:
            assert holder.stdout is not None
            assert holder.stdout.readline() == b"held\n"
            with pytest.raises(JournalBusy, match=f"process {holder.pid}.* is running") as no:
                owned(where)
            assert no.value.pid == holder.pid
            visitor = open_journal(where, owner=False)  # but entries may be left
            visitor.add_entry(CHARGED, 1)
            visitor.close()
            journal = owned_after(holder, where)  # a killed owner leaves no lock behind
            assert len(journal.waiting_entries()) == 1
            journal.close()
        finally:
            holder.kill()


def test_a_second_owner_in_this_process_is_refused_too(where: JournalPlace) -> None:
    journal = owned(where)
    with pytest.raises(JournalBusy):
        owned(where)
    journal.close()
    owned(where).close()


# ---- death of the writer ---------------------------------------------------------------------

WRITER = """
import sys
from pathlib import PosixPath
from carerules import adapters
from carerules.adapters import ClockAnchor, open_journal
from carerules.domain.decision import AskPlug
from carerules.domain.event import Tick
place = eval(sys.argv[1], {**vars(adapters), "PosixPath": PosixPath})
journal = open_journal(place, owner=True)
while True:
    for _ in range(3):
        seq = journal.last_seq + 1
        journal.write(Tick(seq), [AskPlug(f"plug-{seq}"), AskPlug(f"plug-{seq}")])
    journal.save_snapshot(journal.last_seq, str(journal.last_seq))
    journal.commit(ClockAnchor(journal.last_seq, 0, 0, "b"))
    print(journal.last_seq, flush=True)
"""


@pytest.mark.parametrize("told", [1, 7, 40, 200])
def test_all_that_was_committed_survives_kill_9_and_nothing_is_torn(
    where: JournalPlace, told: int
) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, *said(where)], stdout=subprocess.PIPE
    ) as writer:
        assert writer.stdout is not None
        for _ in range(told):
            promised = int(writer.stdout.readline())
        journal = owned_after(writer, where)
        rest = writer.stdout.read().split(b"\n")[:-1]
    promised = int(rest[-1]) if rest else promised
    events = list(journal.events())
    assert len(events) >= promised
    assert len(events) % 3 == 0  # a commit is whole or not at all
    assert events == [(seq, Tick(seq)) for seq in range(1, len(events) + 1)]
    assert list(journal.outcomes()) == [
        (seq, AskPlug(f"plug-{seq}")) for seq in range(1, len(events) + 1) for _ in range(2)
    ]
    assert journal.snapshots()[0] == (len(events), str(len(events)))
    assert anchored(journal) == (len(events), 0, "b")
    journal.close()


def test_a_commit_that_fails_half_way_leaves_nothing_behind(where: JournalPlace) -> None:
    journal = owned(where)
    journal.write(Tick(1), [])
    journal._pending.append(("INSERT INTO nowhere VALUES (1)", ()))
    with pytest.raises(JournalError, match=r"no such table|does not exist"):
        journal.commit()
    visitor = open_journal(where, owner=False)
    assert list(visitor.events()) == []
    visitor.add_entry(CHARGED, 1)  # no transaction was left open
    visitor.close()
    journal._pending.pop()
    journal.commit()
    assert [event for _, event in journal.events()] == [Tick(1)]
    journal.close()


def test_a_damaged_row_is_told_and_the_others_are_read(where: JournalPlace) -> None:
    journal = owned(where)
    for moment in range(3):
        journal.write(PlugLink(moment, "A-load", up=True), [ON])
    journal.commit()
    journal._rows.all("UPDATE events SET body = 'x' WHERE seq = 2")
    journal._rows.all("UPDATE outcomes SET kind = 'strange' WHERE seq = 3")
    with pytest.raises(DamagedRowError, match="row 2 of events") as row:
        list(journal.events())
    assert row.value.seq == 2
    told: list[DamagedRowError] = []
    assert [seq for seq, _ in journal.events(on_damage=told.append)] == [1, 3]
    assert [seq for seq, _ in journal.outcomes(on_damage=told.append)] == [1, 2]
    assert [each.seq for each in told] == [2, 3]
    journal.close()


def test_the_number_at_a_moment_is_the_last_before_it(where: JournalPlace) -> None:
    journal = owned(where)
    assert journal.seq_at(5) == 0
    for heard in (10, 20, 20, 30, 45):
        journal.write(Tick(heard), [])
    journal.commit()
    for moment in (0, 10, 11, 20, 21, 30, 31, 45, 46, 100):
        assert journal.seq_at(moment) == sum(h < moment for h in (10, 20, 20, 30, 45)), moment
    journal.close()

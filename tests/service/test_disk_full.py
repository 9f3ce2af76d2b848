"""A full disk, by injection, and a journal that is held: loads off, people told, reading goes on.
Source of the errors: SQLITE_FULL and SQLITE_BUSY, result codes of SQLite (sqlite.org/rescode)."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import pytest

from carerules.adapters import SqliteJournal, store
from carerules.config import SiteFile, read_site
from carerules.domain.decision import Command, Outcome, SwitchOff, SwitchOn
from carerules.domain.event import Attended, Event, PlugReport, Started, Tick
from carerules.domain.moment import SECOND, Moment
from carerules.loop import World, new_world
from carerules.service import Service, read_rules

T: Moment = 1_764_892_800_000
SITE = """\
name = "boat shed"
zone = "Europe/Lisbon"
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
place = "A"
[plug.A-load]
profile = "generic-json"
topic = "shed/a-load"
[station.A]
load = { plug = "A-load", power = "60 W" }
[mqtt]
"""


class Wires:
    """An outside in the test's hand."""

    def __init__(self) -> None:
        self.said: list[Command] = []
        self.at = T

    def now(self) -> Moment:
        return self.at

    def wait(self, due: Moment) -> Sequence[Event]:
        self.at = due
        return [Tick(due)]

    def perform(self, command: Command) -> None:
        self.said.append(command)

    def close(self) -> None:
        pass


def service_of(folder: Path, journal: SqliteJournal) -> tuple[Service, Wires, list[Event]]:
    (folder / "site.toml").write_text(SITE)
    site = read_site(folder / "site.toml")
    assert isinstance(site, SiteFile)
    setup = read_rules(site).setup
    assert setup is not None
    told: list[Event] = []

    def tell(event: Event, _outcomes: Sequence[Outcome], _world: World) -> None:
        told.append(event)

    wires = Wires()
    return Service(new_world(setup, T), wires, journal, tell), wires, told


@pytest.mark.parametrize("where", ["a commit", "a snapshot"])
def test_a_full_disk_brings_everything_off_and_reading_goes_on(tmp_path: Path, where: str) -> None:
    path = tmp_path / "journal.db"
    with closing(SqliteJournal.open(path, owner=True)) as journal:
        service, wires, told = service_of(tmp_path, journal)
        service.take([Started(T), PlugReport(T + SECOND, "A-load", False, 0.0)])
        before = len(wires.said)
        # The file may grow no more: what SQLite calls a full disk.
        pages = journal._database.execute("PRAGMA page_count").fetchone()[0]
        journal._database.execute(f"PRAGMA max_page_count = {pages}")
        if where == "a commit":
            for second in range(2, 2_000):
                service.take([Attended(T + second * SECOND, T + second * SECOND + 1)])
                if service.faulted:
                    break
        else:

            def snapshot(_: World) -> None:
                journal.save_snapshot(journal.last_seq, "x" * 1_000_000)
                journal.commit()

            service.snapshot = snapshot
            service._snapshot_at = 0
            service.take([Tick(T + 2 * SECOND)])
        assert "the disk is full" in service.faulted
        assert any(isinstance(one, SwitchOff) for one in wires.said[before:])
        assert not any(isinstance(one, SwitchOn) for one in wires.said)
        assert service.world.stopped == service.faulted
        assert told
        # It goes on listening, and stays off.
        service.take([Tick(T + 10_000 * SECOND)])
        with closing(SqliteJournal.open(path, owner=False)) as reader:
            assert [type(event) for _, event in reader.events()][:2] == [Started, PlugReport]


def test_a_journal_that_another_program_holds_brings_everything_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLITE_BUSY: a hung program in the middle of a transaction (sqlite.org/lang_transaction)."""
    path = tmp_path / "journal.db"
    monkeypatch.setattr(store, "BUSY_MS", 20)
    with (
        closing(SqliteJournal.open(path, owner=True)) as journal,
        closing(sqlite3.connect(path, isolation_level=None)) as other,
    ):
        service, wires, _ = service_of(tmp_path, journal)
        service.take([Started(T), PlugReport(T + SECOND, "A-load", False, 0.0)])
        before = len(wires.said)
        other.execute("BEGIN IMMEDIATE")
        service.take([Attended(T + 2 * SECOND, T + 3 * SECOND)])
        assert "another program holds it" in service.faulted
        assert any(isinstance(one, SwitchOff) for one in wires.said[before:])
        service.take([Tick(T + 10_000 * SECOND)])
        assert not any(isinstance(one, SwitchOn) for one in wires.said)
        with closing(SqliteJournal.open(path, owner=False)) as reader:
            assert [type(event) for _, event in reader.events()] == [Started, PlugReport]
        other.execute("ROLLBACK")


def test_the_injection_is_what_sqlite_says_of_a_full_disk(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "x.db")) as database:
        database.execute("CREATE TABLE t (x)")
        database.execute("PRAGMA max_page_count = 2")
        with pytest.raises(sqlite3.OperationalError) as failure:
            database.execute("INSERT INTO t VALUES (?)", ("x" * 100_000,))
        assert failure.value.sqlite_errorname == "SQLITE_FULL"

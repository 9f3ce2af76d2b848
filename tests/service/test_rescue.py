"""Backup, compaction and salvage of the journal. Sources: sqlite.org/backup.html (the copy is as of
one commit), sqlite.org/fileformat.html (pages, from which the damage is made)."""

from __future__ import annotations

import json
import stat
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner

from carerules.adapters import SqliteJournal
from carerules.adapters.rescue import back_up, compact, salvage
from carerules.cli import main
from carerules.domain.decision import Notice
from carerules.domain.event import Attended, Sample, Value
from carerules.domain.ports import JournalError

ROWS = 2_000
PAGE = 4_096


def journal_with(path: Path, rows: int = ROWS) -> None:
    with closing(SqliteJournal.open(path, owner=True)) as journal:
        write(journal, 1, rows)


def write(journal: SqliteJournal, first: int, rows: int) -> None:
    for number in range(first, first + rows):
        values = (Value("pack.soc", 80.0),)
        journal.write(Sample(number, number, "heron", values, "feed"), [Notice(f"k{number}", "x")])
    journal.commit()


def heard(path: Path) -> list[int]:
    with closing(SqliteJournal.open(path, owner=False)) as journal:
        return [event.heard for _, event in journal.events()]


def test_a_backup_is_whole_while_the_service_writes_and_only_its_owners(tmp_path: Path) -> None:
    path, to = tmp_path / "journal.db", tmp_path / "copy.db"
    with closing(SqliteJournal.open(path, owner=True)) as journal:
        write(journal, 1, ROWS)
        journal.write(Attended(ROWS + 1, ROWS + 2), [])  # not committed
        size = back_up(path, to)
        journal.commit()
    assert size == to.stat().st_size > ROWS * 100
    assert stat.S_IMODE(to.stat().st_mode) == 0o600
    assert not Path(f"{to}-wal").exists()
    assert heard(to) == list(range(1, ROWS + 1))


def test_a_backup_writes_over_nothing(tmp_path: Path) -> None:
    path, to = tmp_path / "journal.db", tmp_path / "copy.db"
    journal_with(path, 1)
    to.write_text("mine")
    with pytest.raises(JournalError, match="is there already"):
        back_up(path, to)
    assert to.read_text() == "mine"
    with pytest.raises(JournalError, match="no journal at"):
        back_up(tmp_path / "nowhere.db", tmp_path / "other.db")
    assert not (tmp_path / "other.db").exists()


def test_compaction_gives_room_back_and_is_refused_while_a_service_runs(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with closing(SqliteJournal.open(path, owner=True)) as journal:
        for number in range(1, ROWS):
            journal.write(Sample(number, number, "heron", (), "feed"), [])
        journal.save_snapshot(ROWS - 1, "x")
        journal.commit()
        with pytest.raises(JournalError, match=r"belongs to process \d+, which is running"):
            compact(path)
        assert journal.forget(ROWS) == ROWS - 2
    before, after = compact(path)
    assert after < before / 4
    assert heard(path) == [ROWS - 1]


def test_salvage_saves_what_the_damage_has_left(tmp_path: Path) -> None:
    path, to = tmp_path / "journal.db", tmp_path / "saved.db"
    journal_with(path)
    compact(path)  # everything is in the file itself, none of it in the -wal
    raw = bytearray(path.read_bytes())
    middle = len(raw) // PAGE // 2 * PAGE
    raw[middle : middle + 3 * PAGE] = b"\xff" * (3 * PAGE)
    path.write_bytes(raw)
    before = path.read_bytes()
    saved = salvage(path, to)
    assert path.read_bytes() == before
    assert saved.damaged
    assert set(saved.damaged) <= {"events", "outcomes"}
    kept = heard(to)
    assert len(kept) > ROWS * 0.9
    assert kept == sorted(set(kept))
    with closing(SqliteJournal.open(to, owner=True)) as journal:
        assert len(list(journal.outcomes())) > ROWS * 0.8
        write(journal, ROWS + 1, 1)  # it can be gone on with
    assert heard(to)[-1] == ROWS + 1


def test_salvage_of_a_sound_journal_loses_nothing(tmp_path: Path) -> None:
    path, to = tmp_path / "journal.db", tmp_path / "saved.db"
    journal_with(path, 10)
    saved = salvage(path, to)
    assert saved.damaged == ()
    assert (saved.rows["events"], saved.rows["outcomes"]) == (10, 10)
    assert heard(to) == heard(path)


def test_what_is_no_database_at_all_is_told_in_one_line(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    path.write_bytes(b"not a database" * 1_000)
    saved = salvage(path, tmp_path / "saved.db")
    assert "events" in saved.damaged
    assert sum(saved.rows.values()) == 0


def test_the_commands(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(
        'name = "shed"\nzone = "Europe/Lisbon"\n'
        '[pack.heron]\nchemistry = "lipo"\ncells = 6\ncapacity = "16 Ah"\n'
    )
    site = ["--site", str(tmp_path / "site.toml")]
    journal_with(tmp_path / "state" / "journal.db", 10)

    def said(*words: str) -> tuple[int, str]:
        done = CliRunner().invoke(main, ["journal", *words, *site])
        return done.exit_code, done.output

    copy = str(tmp_path / "copy.db")
    status, output = said("backup", copy, "--json")
    assert (status, json.loads(output)["path"]) == (0, copy)
    status, output = said("backup", copy)
    assert (status, len(output.splitlines())) == (2, 1)
    assert said("compact")[0] == 0
    status, output = said("salvage", str(tmp_path / "saved.db"))
    assert status == 0
    assert "rows saved" in output

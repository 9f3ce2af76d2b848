"""Journals that older programs wrote (tests/service/journals): read, brought up, gone on with."""

from __future__ import annotations

import gzip
import json
import re
import shutil
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from carerules.adapters import SqliteJournal, schema
from carerules.cli import main
from carerules.domain.decision import Fired, JobEnded, Marked, SwitchOn
from carerules.domain.ports import JournalError

HERE = Path(__file__).parent / "journals"
JOURNALS = sorted(HERE.glob("schema-*.db.gz"))
OLD = [(path, int(path.name.split("-")[1].split(".")[0])) for path in JOURNALS]
by_schema = pytest.mark.parametrize(("kept", "number"), OLD, ids=[path.name for path in JOURNALS])

WRITTEN = {2: (714, 10), 3: (605, 18)}
"""Events and outcomes, counted in each file by SQL when it was made."""
FIRED = "2026-11-30T19:05:10+00:00"
"""Read off the terminal of the program that wrote it: `Mon 30 19:05:10  heron: rule ... holds`."""


def site_with(kept: Path, folder: Path) -> Path:
    for name in ("site.toml", "shed.care"):
        shutil.copy(HERE / name, folder)
    (folder / "state").mkdir()
    journal = folder / "state" / "journal.db"
    journal.touch(0o600)
    journal.write_bytes(gzip.decompress(kept.read_bytes()))
    world = kept.name.replace("schema", "world").replace("db.gz", "json")
    shutil.copy(HERE / world, folder / "state" / "virtual.json")
    return folder / "site.toml"


def carerules(*words: str | Path) -> Result:
    return CliRunner().invoke(main, list(map(str, words)), catch_exceptions=False)


def told(*words: str | Path) -> Any:
    shown = carerules(*words, "--json")
    assert shown.exit_code == 0, shown.output
    return json.loads(shown.stdout)


def brought_up(site: Path) -> SqliteJournal:
    return SqliteJournal.open(site.parent / "state" / "journal.db", owner=True)


def tables(journal: SqliteJournal) -> list[tuple[str, str]]:
    asked = "SELECT name, sql FROM sqlite_master ORDER BY name"
    return list(journal._database.execute(asked))


def test_there_is_one_of_each_schema_that_was_ever_written() -> None:
    assert [number for _, number in OLD] == list(range(2, schema.VERSION + 1))


@by_schema
def test_it_is_of_that_schema_and_as_long_as_it_was(
    kept: Path, number: int, tmp_path: Path
) -> None:
    site = site_with(kept, tmp_path)
    database = sqlite3.connect(site.parent / "state" / "journal.db")
    assert schema.version(database) == number
    counts = [database.execute(f"SELECT count(*) FROM {one}").fetchone()[0]
              for one in ("events", "outcomes")]  # fmt: skip
    database.close()
    assert tuple(counts) == WRITTEN[number]


@by_schema
def test_every_row_is_read_as_it_was_meant(kept: Path, number: int, tmp_path: Path) -> None:
    with_site = site_with(kept, tmp_path)
    if number < schema.VERSION:
        with pytest.raises(JournalError, match="start the service once"):
            SqliteJournal.open(with_site.parent / "state" / "journal.db", owner=False)
    journal = brought_up(with_site)
    try:
        assert schema.version(journal._database) == schema.VERSION
        new = SqliteJournal.open(tmp_path / "new" / "journal.db", owner=True)
        assert tables(journal) == tables(new)
        new.close()
        events, outcomes = list(journal.events()), [one for _, one in journal.outcomes()]
        assert (len(events), len(outcomes)) == WRITTEN[number]
        assert [seq for seq, _ in events] == sorted({seq for seq, _ in events})
        assert [one.rule for one in outcomes if isinstance(one, Fired)] == ["full-too-long"]
        assert any(isinstance(one, SwitchOn) and not one.renewal for one in outcomes)
        (ended,) = [one for one in outcomes if isinstance(one, JobEnded)]
        assert (ended.pack, ended.rule, ended.ending.value) == ("heron", "full-too-long", "done")
        assert ended.energy_wh == pytest.approx(28, abs=0.5)
        marked = [one.event for one in outcomes if isinstance(one, Marked)]
        assert marked == ([] if number == 2 else ["drain"])
    finally:
        journal.close()


@by_schema
def test_what_is_shown_of_it_is_what_was_shown_then(
    kept: Path, number: int, tmp_path: Path
) -> None:
    site = site_with(kept, tmp_path)
    brought_up(site).close()
    log = told("log", "--last", "1000", "--site", site)["lines"]
    words = " ".join(one["text"] for one in log)
    for said in ("full-too-long", "on, off by its own timer after 90 s", "28 Wh moved"):
        assert said in words, said
    status = told("status", "--site", site)
    soc = {one["pack"]: one["charge"]["soc_percent"] for one in status["packs"]}
    assert soc["heron"] == pytest.approx(92.5, abs=1.0)
    fired = told("replay", "--site", site)["firings"]
    assert [(one["pack"], one["rule"]) for one in fired] == [("heron", "full-too-long")]
    assert fired[0]["at"].replace("Z", "+00:00")[:17] == FIRED[:17]
    for words_of in (("why", "heron"), ("health",), ("timeline", "heron"), ("report",)):
        assert told(*words_of, "--site", site)["shape"] == 1


@by_schema
def test_a_service_of_today_goes_on_with_it(kept: Path, number: int, tmp_path: Path) -> None:
    site = site_with(kept, tmp_path)
    ran = carerules("run", site, "--speed", "20000", "--for", "0.05")
    assert ran.exit_code == 0, ran.output
    assert "does not read" not in ran.output
    assert re.search(r"plugs? (was|were) read back off", ran.output)
    journal = brought_up(site)
    try:
        events = list(journal.events())
        assert len(events) > WRITTEN[number][0]
        assert [seq for seq, _ in events] == sorted({seq for seq, _ in events})
        fired = [one for _, one in journal.outcomes() if isinstance(one, Fired)]
        assert len(fired) == 1, "what had fired does not fire again"
    finally:
        journal.close()


@by_schema
def test_an_upgrade_that_is_cut_off_leaves_the_old_journal(
    kept: Path, number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = site_with(kept, tmp_path)
    path = site.parent / "state" / "journal.db"
    broken = (*schema.STEPS, ("CREATE TABLE more (x)", "CREATE TABLE events (x)"))
    with monkeypatch.context() as plant:
        plant.setattr(schema, "STEPS", broken)
        plant.setattr(schema, "VERSION", len(broken))
        with pytest.raises(JournalError):
            brought_up(site)
    database = sqlite3.connect(path)
    assert schema.version(database) == number
    assert database.execute("SELECT count(*) FROM events").fetchone()[0] == WRITTEN[number][0]
    names = [one for (one,) in database.execute("SELECT name FROM sqlite_master")]
    database.close()
    assert "more" not in names

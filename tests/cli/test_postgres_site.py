"""Every command that reads or keeps a journal does so on PostgreSQL, too."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from postgres_kit import Server

from carerules.adapters import open_journal
from carerules.cli import main
from carerules.config import SiteFile, read_site

EXAMPLE = Path(__file__).resolve().parents[2] / "examples" / "river-survey"


def said(*words: object, status: int = 0) -> str:
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert result.exit_code == status, result.output
    return result.output


@pytest.fixture
def site(tmp_path: Path, postgres: Server, monkeypatch: pytest.MonkeyPatch) -> Path:
    # The server is one of many processes here: it has its turn when it has it.
    monkeypatch.setattr("carerules.adapters.postgres.ANSWER_S_MAX", 60.0)
    folder = tmp_path / "river"
    shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("state"))
    place = postgres.place()
    with (folder / "site.toml").open("a") as file:
        file.write(f'\n[journal]\nurl = "{place.url}"\nschema = "{place.schema}"\n')
    return folder / "site.toml"


def test_a_site_whose_journal_is_on_postgresql(site: Path, tmp_path: Path) -> None:
    assert "no service" in said("status", "--site", site)
    said("run", site, "--speed", 20_000, "--for", 0.4)
    told = json.loads(said("log", "--site", site, "--json"))
    assert told["lines"]
    status = json.loads(said("status", "--site", site, "--json"))
    assert status["service"]["running"] is False
    assert "heron" in said("why", "heron", "--site", site)
    assert "no service is running" in said("record", "heron", "charged", "--site", site)
    said("health", "--site", site)
    assert "makes durable what it is given" in " ".join(said("doctor", site).split())
    said("notices", "--site", site)
    said("report", "--site", site)
    said("replay", "--site", site)
    assert "pg_dump" in said("journal", "backup", tmp_path / "copy.db", "--site", site, status=2)
    said("run", site, "--speed", 20_000, "--for", 0.2)  # goes on where it was
    again = json.loads(said("log", "--site", site, "--json"))
    assert again["next_after"] > told["next_after"]
    assert not (site.parent / "state" / "journal.db").exists()
    found = read_site(site)
    assert isinstance(found, SiteFile)
    journal = open_journal(found.journal, owner=True)
    try:
        assert journal.waiting_entries() == []
        assert journal.fence == 3
    finally:
        journal.close()

"""`carerules serve` refuses what it cannot share, in one line, and touches nothing."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from carerules.cli import main

SITE = """
name = "{name}"
zone = "Europe/Lisbon"
[pack.heron]
chemistry = "lifepo4"
cells = 4
capacity = "100 Ah"
"""
JOURNAL = '[journal]\nurl = "postgresql://crew@127.0.0.1:1/{db}"\nschema = "{schema}"\n'


def site(tmp_path: Path, name: str, journal: str) -> str:
    file = tmp_path / f"{name}.toml"
    file.write_text(SITE.format(name=name) + journal)
    return str(file)


def refusal(*words: str) -> str:
    result = CliRunner().invoke(main, ["serve", *words])
    assert result.exit_code == 2, result.output
    said = result.output.strip()
    assert "Traceback" not in said
    return said


def test_a_journal_that_is_a_file(tmp_path: Path) -> None:
    said = refusal(site(tmp_path, "north", ""))
    assert "its journal is a file of this machine" in said
    assert not (tmp_path / "state").exists()


@pytest.mark.parametrize(
    ("other", "said"),
    [
        (("care", "care_north"), "share a schema"),
        (("elsewhere", "care_south"), "lie in several databases"),
    ],
)
def test_sites_that_cannot_be_told_apart(tmp_path: Path, other: tuple[str, str], said: str) -> None:
    north = site(tmp_path, "north", JOURNAL.format(db="care", schema="care_north"))
    south = site(tmp_path, "south", JOURNAL.format(db=other[0], schema=other[1]))
    assert said in refusal(north, south)


def test_a_server_that_is_not_there(tmp_path: Path) -> None:
    north = site(tmp_path, "north", JOURNAL.format(db="care", schema="care_north"))
    assert "cannot be reached" in refusal(north)

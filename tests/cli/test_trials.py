"""`carerules test`: which scenarios are played, and what the exit status says."""

import json
from pathlib import Path

from click.testing import CliRunner, Result

from carerules.cli import main

OWN = """\
use "low.care"
rule own over low when pack.soc < 30: notify "{pack} is low"
scenario "its own"
    given pack heron at 25 %
    after 1 h: expect heron notify by own
"""
LOW = """\
rule low when pack.soc < 30: chore "{pack} is low"
scenario "by itself"
    given pack heron at 25 %
    after 1 h: expect heron chore by low, expect heron no notify
"""


def played(folder: Path, *options: str) -> Result:
    (folder / "own.care").write_text(OWN, "utf-8")
    (folder / "low.care").write_text(LOW, "utf-8")
    return CliRunner().invoke(main, ["test", str(folder / "own.care"), *options])


def test_scenarios_of_files_taken_in_are_played_only_when_asked_for(tmp_path: Path) -> None:
    own = played(tmp_path)
    assert (own.exit_code, own.stdout.split(": ")[1]) == (
        0, "1 of 1 scenarios came out as expected\n",
    )  # fmt: skip
    both = played(tmp_path, "--all")
    assert both.exit_code == 1
    assert '"by itself"' in both.stdout
    assert both.stdout.endswith("1 of 2 scenarios came out as expected\n")


def test_only_those_with_the_words_are_played(tmp_path: Path) -> None:
    shown = json.loads(played(tmp_path, "--all", "--only", "own", "--json").stdout)
    assert [one["name"] for one in shown["files"][0]["scenarios"]] == ["its own"]

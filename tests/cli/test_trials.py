"""`carerules test`: which scenarios are played, and what the exit status says."""

import json
from pathlib import Path

import pytest
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
        0, "1 of 1 scenario came out as expected\n",
    )  # fmt: skip
    both = played(tmp_path, "--all")
    assert both.exit_code == 1
    assert '"by itself"' in both.stdout
    assert both.stdout.endswith("1 of 2 scenarios came out as expected\n")


BAD_VALUES = [
    ("pack.voltage = 28 V", "found `28 V`, wanted 6 to 17.48 V for 4 x lipo"),  # seven cells
    ("pack.voltage = 3.8 V", "found `3.8 V`, wanted 6 to 17.48 V for 4 x lipo"),  # one cell
    ("pack.cell.min = 4.9 V", "found `4.9 V`, wanted 1.5 to 4.37 V"),
    ("pack.capacity = 1600 Ah", "found `1600 Ah`, wanted 1.6 to 24 Ah for this pack"),
    ("pack.temperature = 68 °C", "found `68 °C`, which looks like 20 °C sent in °F"),
]


@pytest.mark.parametrize(("change", "why"), BAD_VALUES, ids=[row[0] for row in BAD_VALUES])
def test_a_value_that_no_such_pack_can_have_spoils_its_scenario(
    tmp_path: Path, change: str, why: str
) -> None:
    # 1.5 V: half of what harms; 4.37 V: what charges it and a little over; °F: NIST SP 811
    text = (
        LOW
        + f"""\
scenario "cannot be"
    given pack heron cells 4 capacity 16 Ah at 60 %
    at Sat 18:00: heron {change}
    at Sat 19:00: expect nothing
"""
    )
    (tmp_path / "low.care").write_text(text, "utf-8")
    result = CliRunner().invoke(main, ["test", str(tmp_path / "low.care")])
    assert result.exit_code == 1
    assert why in " ".join(result.stdout.split())
    assert max(map(len, result.stdout.splitlines()[1:-1])) <= 80


@pytest.mark.parametrize("change", ["pack.voltage = 15 V", "pack.temperature = 90 °C"])
def test_a_value_that_can_be_does_not(tmp_path: Path, change: str) -> None:
    text = (
        LOW
        + f"""\
rule sags when pack.voltage < 15.1 V: notify "{{pack}} sags"
scenario "can be"
    given pack heron cells 4 capacity 16 Ah at 60 %
    at Sat 18:00: heron {change}, expect heron {"" if "volt" in change else "no "}notify by sags
"""
    )
    (tmp_path / "low.care").write_text(text, "utf-8")
    result = CliRunner().invoke(main, ["test", str(tmp_path / "low.care")])
    assert result.exit_code == 0, result.stdout


def test_only_those_with_the_words_are_played(tmp_path: Path) -> None:
    shown = json.loads(played(tmp_path, "--all", "--only", "own", "--json").stdout)
    assert [one["name"] for one in shown["files"][0]["scenarios"]] == ["its own"]

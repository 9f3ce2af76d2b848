"""`carerules plan`: what it takes from rules and uses, what it says, and what it refuses."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from reading_kit import Story, draining_heron, full_heron

from carerules.domain.event import Sample, Value
from carerules.domain.moment import SECOND
from carerules.planner import has_solver

SURVEY = "2026-12-05T09:00"


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Story]:
    """heron is full and fires a day later; egret is at 60 %; both are in use on Saturday 08:00."""
    story = full_heron(tmp_path_factory.mktemp("plan"))
    yield story
    story.close()


def flat(story: Story, *words: str) -> dict[str, Any]:
    """With time enough to prove which plan is the cheapest: it is the same each time then."""
    shown = story.run("plan", *words, "--seconds", "600", "--json")
    assert shown.exit_code == 0, shown.output
    said: dict[str, Any] = json.loads(shown.stdout)
    return said


@pytest.mark.parametrize("simple", [True, False])
def test_the_level_is_the_one_that_status_says(story: Story, simple: bool) -> None:
    said = flat(story, "--until", SURVEY, *(["--simple"] if simple else []))
    status = json.loads(story.run("status", "heron", "--json").stdout)
    aim = status["packs"][0]["aim"]
    first = next(run for run in said["runs"] if run["pack"] == "heron")
    assert (first["target_percent"], first["rule"]) == (aim["percent"], aim["rule"])
    assert first["begins"] >= aim["wanted_from"]


@pytest.mark.parametrize("simple", [True, False])
def test_both_are_full_for_the_survey(story: Story, simple: bool) -> None:
    said = flat(story, "--until", SURVEY, *(["--simple"] if simple else []))
    charged = {run["pack"]: run for run in said["runs"] if run["side"] == "charger"}
    assert set(charged) == {"heron", "egret"}
    for run in charged.values():
        assert run["station"] == "B"
        assert run["ends"] <= run["due"] == "2026-12-05T08:00:00Z"
    assert [move["pack"] for move in said["moves"]] == ["heron"]
    assert said["left_out"] == []
    assert said["made_by"] == ("solver" if has_solver() and not simple else "simple rule")


def test_the_night_ends_at_noon(story: Story) -> None:
    said = flat(story)
    assert (said["begins"], said["ends"]) == ("2026-11-30T18:15:00Z", "2026-12-01T12:00:00Z")
    assert flat(story, "--night")["ends"] == said["ends"]


def test_a_pack_whose_plug_is_on_stays(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    (run,) = flat(story)["runs"]
    assert (run["pack"], run["station"], run["begins"]) == ("heron", "A", flat(story)["begins"])
    assert flat(story)["moves"] == []
    story.close()


def test_what_cannot_be_had_is_said_and_the_use_is_kept_where_one_can_be(tmp_path: Path) -> None:
    """Nobody is awake after 06:30 on Saturday: of the two that share a charger one goes without,
    unless they are moved before."""
    story = full_heron(tmp_path)
    at = story.world.now + SECOND
    story.go(Sample(at, at, "heron", (Value("pack.soc", 82.0, 2.0),), "a person"))
    said = flat(story, "--until", SURVEY, "--awake", "23:00-23:15")
    left = said["left_out"]
    assert [one["use"] for one in left] in ([], ["Saturday survey"])
    words = story.run("plan", "--until", SURVEY, "--awake", "23:00-23:15").output
    for one in left:
        assert "the cheapest to do without" in words
        assert one["why"] in " ".join(words.split())
    weak = flat(story, "--until", SURVEY, "--circuit", "100 W")
    assert {one["pack"] for one in weak["left_out"]} == {"heron", "egret"}
    assert all("no room" in one["why"] or "awake" in one["why"] for one in weak["left_out"])
    story.close()


def test_cheap_hours_are_used(story: Story) -> None:
    dear = flat(story, "--until", SURVEY, "--price", "900", "--price", "02:00-05:00 0")
    for run in dear["runs"]:
        if run["side"] == "charger" and run["pack"] == "egret":
            assert run["begins"][10:14] >= "T02:"
    assert dear["cost"]["energy_wh"] > 0


def test_the_site_file_says_what_the_options_do_not(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    table = """[planning]
awake = "09:00-20:00"
circuit = "100 W"
price = 0.30
prices = ["02:00-05:00 0.10"]
"""
    story.path.write_text(story.path.read_text("utf-8") + table, encoding="utf-8")
    said = flat(story, "--until", SURVEY)
    assert said["asleep"][0]["begins"] == "2026-11-30T20:00:00Z"
    assert {one["pack"] for one in said["left_out"]} == {"heron", "egret"}
    more = flat(story, "--until", SURVEY, "--circuit", "3000 W", "--awake", "06:00-23:00")
    assert more["asleep"][0]["begins"] == "2026-11-30T23:00:00Z"
    assert more["left_out"] == []
    kwh, money = more["cost"]["energy_wh"] / 1_000, more["cost"]["energy_money"]
    assert 0.1 * kwh - 1e-3 <= money <= 0.3 * kwh + 1e-3
    assert money > 0
    story.close()


def test_it_only_looks(story: Story) -> None:
    before = story.journal.last_seq
    waiting = sorted(path.name for path in story.site.state.rglob("*"))
    story.run("plan", "--until", SURVEY)
    assert story.journal.last_seq == before
    assert sorted(path.name for path in story.site.state.rglob("*")) == waiting


@pytest.mark.parametrize(
    "words", [(), ("--until", SURVEY), ("--until", SURVEY, "--awake", "23:00-23:15")], ids=str
)
def test_it_fits_a_terminal(story: Story, words: tuple[str, ...]) -> None:
    lines = story.run("plan", *words).output.splitlines()
    assert max(map(len, lines)) <= 80


def test_the_drawing_is_svg_and_says_each_run(story: Story, tmp_path: Path) -> None:
    to = tmp_path / "plan.svg"
    shown = story.run("plan", "--until", SURVEY, "--svg", str(to))
    assert shown.exit_code == 0
    root = ET.fromstring(to.read_text("utf-8"))
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    titles = [one.text or "" for one in root.iter("{http://www.w3.org/2000/svg}title")]
    for run in flat(story, "--until", SURVEY)["runs"]:
        goal = f"to {run['target_percent']:g} %"
        assert any(one.startswith(f"{run['pack']}: ") and goal in one for one in titles)
    assert any(re.fullmatch(r".* put heron on B, in place of egret", one) for one in titles)


def test_a_drawing_that_cannot_be_written_says_so(story: Story, tmp_path: Path) -> None:
    shown = story.run("plan", "--svg", str(tmp_path / "none" / "plan.svg"))
    assert shown.exit_code == 1
    assert "name another place" in shown.output


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--until", "yesterday 10:00"), "wanted a time ahead"),
        (("--until", "2026-12-24T08:00"), "wanted a time within a week"),
        (("--until", "soon"), "wanted a time such as"),
        (("--night", "--until", SURVEY), "wanted one of them"),
        (("--keep", "--drop"), "found two of `--keep`, `--kept` and `--drop`"),
        (("--kept", "--to", "plan.svg"), "found no kept plan, wanted one to draw"),
        (("--awake", "7-22"), "wanted two clock times"),
        (("--circuit", "16 A"), "wanted a number with a unit of power"),
        (("--circuit", "0 W"), "wanted 1 W to 100000 W"),
        (("--price", "cheap"), "wanted a price a kWh"),
        (("--seconds", "0"), "0.1"),
    ],
    ids=str,
)
def test_what_is_refused(story: Story, words: tuple[str, ...], says: str) -> None:
    shown = story.run("plan", *words)
    assert shown.exit_code == 2
    assert says in shown.output
    assert "Traceback" not in shown.output


def test_a_site_that_never_ran_has_a_plan_without_anything(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.close()
    for file in story.site.state.iterdir():
        file.unlink()
    said = flat(story)
    assert said["runs"] == []
    assert any("its charge is unknown" in one for one in said["remarks"])


def test_a_plan_is_kept_shown_and_dropped_also_where_no_service_runs(tmp_path: Path) -> None:
    """heron is to be put on B on Saturday morning: it comes onto the list two hours before."""
    story = full_heron(tmp_path)
    story.close()
    assert "no plan is kept" in story.run("plan", "--kept").stdout
    kept = story.run("plan", "--until", SURVEY, "--simple", "--keep")
    assert kept.exit_code == 0
    assert "it is taken in at the next start" in kept.stderr
    shown = story.run("plan", "--kept")
    assert shown.stdout.startswith("plan to Sat 05 Dec 09:00, kept by a person; made Mon 30 Nov")
    assert "put heron on B, in place of egret" in shown.stdout
    assert "it no longer fits" not in shown.stdout
    assert max(map(len, shown.stdout.splitlines())) <= 80
    assert story.run("chore").stdout.splitlines() == [
        "nothing is for you to do",
        "coming, by the plan:",
        "  by Sat 05 Dec 07:15  put heron on B, in place of egret",
    ]
    to = tmp_path / "kept.svg"
    assert story.run("plan", "--kept", "--svg", str(to)).exit_code == 0
    assert "put heron on B" in to.read_text("utf-8")

    assert story.run("place", "heron", "--off").exit_code == 0
    words = " ".join(story.run("plan", "--kept").stdout.split())
    assert "it no longer fits: heron was to stay on A, and is on no station" in words

    assert story.run("plan", "--drop").exit_code == 0
    assert "no plan is kept" in story.run("plan", "--kept").stdout

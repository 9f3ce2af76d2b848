"""docs/how-it-decides.md: pictures and stories are what the program does, the table is its list."""

from __future__ import annotations

import inspect
import re
import sys
from itertools import pairwise
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parents[1] / "oracle_tables"))

from pictures_kit import draw, read, wrong_marks
from story_kit import CHEMISTRIES, tell

from carerules.domain.pack import Side
from carerules.domain.signal import catalogue
from carerules.lang import load
from carerules.lang.format import format_text
from carerules.safety import pack as pack_room
from carerules.safety.interlock import CHECKS
from carerules.sim.verdict import play

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "how-it-decides.md").read_text("utf-8")
BLOCKS = re.findall(r"```(\w+)\n(.*?)```", PAGE, re.DOTALL)
PICTURES = [text for kind, text in BLOCKS if kind == "text" and text.startswith("when ")]
STORIES = [
    (rules, story)
    for (kind, rules), (_, story) in pairwise(BLOCKS)
    if kind == "care" and story.startswith("from ")
]
RULES = [text for kind, text in BLOCKS if kind == "care"]


@pytest.mark.parametrize("block", PICTURES, ids=lambda block: " ".join(block.split()[:8]))
def test_a_picture_is_what_is_drawn(block: str) -> None:
    picture = read(block)
    drawn = draw(picture.told)
    assert set(picture.drawn) == {"whole", "fires"}
    assert picture.drawn == {name: drawn[name] for name in picture.drawn}
    assert wrong_marks(block) == []


@pytest.mark.parametrize(("rules", "story"), STORIES, ids=lambda text: text.split("\n")[0])
def test_a_story_is_what_is_decided(rules: str, story: str) -> None:
    told, _, lines = story.partition("\n\n")
    assert tell(rules, told) == lines.splitlines()
    assert len(lines.splitlines()) >= 5


def test_rules_are_laid_out_and_their_scenarios_come_out() -> None:
    signals, played = catalogue(), 0
    for text in RULES:
        assert format_text(text, "page.care") == text
        got = load({"page.care": text}, catalogue=signals)
        assert got.plan is not None
        for scenario in got.scenarios:
            assert play(scenario, got.plan, signals, CHEMISTRIES).ok
            played += 1
    assert played == 1


def test_every_block_is_held_to_something_and_fits_a_terminal() -> None:
    assert (len(PICTURES), len(STORIES)) == (7, 9)
    assert len(BLOCKS) == 1 + len(PICTURES) + 2 * len(STORIES) + 1  # the way; a scenario
    assert all(len(line) <= 80 for _, text in BLOCKS for line in text.splitlines())


def test_every_stage_of_the_way_is_a_module() -> None:
    stages = re.findall(r"\b([a-z]+/[a-z]+)\b", BLOCKS[0][1])
    assert len(stages) == 14
    for stage in stages:
        assert (ROOT / "carerules" / f"{stage}.py").exists(), stage


# ---- the table of interlocks ---------------------------------------------------------------------

ROWS = re.findall(r"^\| `([a-z ]+)` \| .* \| (both|drain|charge) \| ([^|]*) \|$", PAGE, re.M)
SIDES = {"both": set(Side), "drain": {Side.LOAD}, "charge": {Side.CHARGER}}


def test_the_table_has_every_interlock_in_its_order() -> None:
    for side in Side:
        listed = [name for name, of, _ in ROWS if side in SIDES[of]]
        assert listed == [name for name, _ in CHECKS[side]]


HELPERS = {"within": pack_room._within, "blind": pack_room._blind}


@pytest.mark.parametrize(("name", "of", "ending"), ROWS, ids=[row[0] for row in ROWS])
def test_the_table_says_what_a_refusal_comes_to(name: str, of: str, ending: str) -> None:
    """By the words of the check itself: `final` ends a job, `unattended` stands while nobody is
    there."""
    check = dict(CHECKS[next(iter(SIDES[of]))])[name]
    source = inspect.getsource(check)
    source += "".join(
        inspect.getsource(one) for key, one in HELPERS.items() if f" _{key}(" in source
    )
    assert ("ends" in ending) is ("final=" in source)
    if name != "temperature":  # somebody there stands in for a reading of a drain only
        assert ("waits for somebody" in ending) is ("unattended=" in source)

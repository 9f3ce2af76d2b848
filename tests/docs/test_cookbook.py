"""docs/cookbook.md: each recipe checks, is laid out, is rehearsed; a figure that moves is noticed.

The scenarios stand in cookbook.care, by the number of their recipe, and are played below the
recipe's block through the real loop.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pytest

from carerules.battery import shipped_chemistries
from carerules.config import SiteFile, read_site_text
from carerules.domain.diagnostic import Severity
from carerules.domain.plan import Plan
from carerules.domain.scenario import ExpectJob, ExpectNothing, ExpectRefusal
from carerules.domain.selector import selects
from carerules.domain.signal import catalogue
from carerules.lang import Loaded, load
from carerules.lang.format import format_text
from carerules.lang.prove import prove
from carerules.sim.coverage import Coverage, untouched
from carerules.sim.verdict import Verdict, play

HERE = Path(__file__).parent
PAGE = (HERE.parents[1] / "docs" / "cookbook.md").read_text("utf-8")
CHEMISTRIES = shipped_chemistries()


class Recipe(NamedTuple):
    """One recipe of the page, and what is played with it."""

    number: str
    title: str
    block: str
    words: str
    played: str


def _recipes() -> Iterator[Recipe]:
    told = re.split(r"^---- (\d+)\n", (HERE / "cookbook.care").read_text("utf-8"), flags=re.M)
    played = dict(zip(told[1::2], told[2::2], strict=True))
    for part in re.split(r"^### ", PAGE, flags=re.M)[1:]:
        head, _, rest = part.partition("\n")
        number, _, title = head.partition(". ")
        (block,) = re.findall(r"```care\n(.*?)```", rest, re.DOTALL)
        words = " ".join(re.split(r"^## ", rest.split("```")[-1], flags=re.M)[0].split())
        yield Recipe(number, title, block, words, played.pop(number))
    assert not played, "scenarios of a recipe that is not on the page"


RECIPES = list(_recipes())
each = pytest.mark.parametrize("recipe", RECIPES, ids=lambda one: f"{one.number} {one.title}")


@cache
def site() -> SiteFile:
    read = read_site_text((HERE / "cookbook_site.toml").read_text("utf-8"), "site.toml")
    assert isinstance(read, SiteFile), [problem.show() for problem in read]
    return read


def read(text: str) -> Loaded:
    return load({"recipe.care": text}, catalogue=catalogue(site().signals))


def plan_of(text: str) -> Plan:
    got = read(text)
    assert got.plan is not None, [one.show(text) for one in got.diagnostics]
    return got.plan


def verdicts(text: str, coverage: Coverage | None = None) -> list[Verdict]:
    plan, signals = plan_of(text), catalogue(site().signals)
    return [play(one, plan, signals, CHEMISTRIES, coverage) for one in read(text).scenarios]


def test_they_stand_in_order_and_in_the_table_of_wishes() -> None:
    numbers = [str(number) for number in range(1, len(RECIPES) + 1)]
    assert [one.number for one in RECIPES] == numbers
    head = PAGE[: PAGE.index("\n### ")]
    assert sorted(re.findall(r"\[(\d+)\]\(#(\d+)-", head), key=lambda one: int(one[0])) == [
        (number, number) for number in numbers
    ]


def test_how_many_there_are_is_so_wherever_it_is_said() -> None:
    front, listed = (
        (HERE.parents[1] / name).read_text("utf-8") for name in ("README.md", "docs/README.md")
    )
    said = {
        "the title": re.findall(r"^# Cookbook: (\d+) rules", PAGE),
        "of all": re.findall(r"Of all (\d+) in one file", PAGE),
        "the front page": re.findall(r"\(docs/cookbook\.md\): (\d+) rules", front),
        "the map": re.findall(r"\(cookbook\.md\): (\d+) rules", listed),
    }
    assert said == {place: [str(len(RECIPES))] for place in said}


@each
def test_a_recipe_checks_by_itself_on_a_site(recipe: Recipe) -> None:
    """As `carerules check site.toml` does: what is read, and what is proved."""
    found = site()
    signals = catalogue(found.signals)
    got = load({"recipe.care": recipe.block}, catalogue=signals, names=found.names)
    assert [one.show(recipe.block) for one in got.diagnostics] == []
    assert got.plan is not None
    assert got.plan.rules or got.plan.nevers
    proofs = prove(got.plan, signals, found.site.packs.values(), found.cells)
    assert [one.show(recipe.block) for one in proofs.diagnostics()] == []
    for rule in got.plan.rules:
        packs = [one for one in found.site.packs.values() if selects(rule.selector, one)]
        assert packs, f"no pack of the site is one that `{rule.name}` speaks of"


def test_all_in_one_file_are_told_of_as_rivals_and_nothing_else() -> None:
    """As the page says: no circle, nothing that never fires, nothing always vetoed."""
    found = site()
    signals, text = catalogue(found.signals), "\n".join(one.block for one in RECIPES)
    got = load({"recipe.care": text}, catalogue=signals, names=found.names)
    assert got.diagnostics == ()
    assert got.plan is not None
    told = prove(got.plan, signals, found.site.packs.values(), found.cells).diagnostics()
    assert {(one.code, one.severity) for one in told} == {("rivals", Severity.WARNING)}


@each
def test_a_recipe_is_laid_out(recipe: Recipe) -> None:
    for text in (recipe.block, f"{recipe.block}\n{recipe.played}"):
        assert format_text(text, "recipe.care") == text


@each
def test_a_recipe_says_what_to_change_and_where_it_ends(recipe: Recipe) -> None:
    assert "*Change*" in recipe.words
    assert "*Limits:*" in recipe.words
    assert not recipe.words.startswith("*")


@each
def test_a_recipe_acts_in_one_scenario_and_not_in_another(recipe: Recipe) -> None:
    coverage = Coverage()
    acts, refused, still = set(), set(), 0
    for verdict in verdicts(recipe.block + "\n" + recipe.played, coverage):
        missed = [(one.words, one.instead) for one in verdict.checks if not one.ok]
        assert verdict.ok, (verdict.scenario.name, verdict.problem, missed)
        for expect in (one for line in verdict.scenario.lines for one in line.expects):
            match expect:
                case ExpectJob(rule=str() as rule, absent=False):
                    acts.add(rule)
                case ExpectRefusal():
                    refused.add(expect.action)
                case ExpectNothing() | ExpectJob(absent=True):
                    still += 1
    plan = plan_of(recipe.block)
    assert acts >= {rule.name for rule in plan.rules}
    assert refused >= {never.action for never in plan.nevers}
    assert still or plan.nevers
    assert untouched(plan, coverage, [rule.name for rule in plan.rules]) == []


# ---- a figure that moves is noticed -------------------------------------------------------------

FIGURE = re.compile(r"(?<![\w.:\"])(-?\d+(?:\.\d+)?)( ?)(%|h|d|min|mV|V|°C|Ah|W)?(?![\w.]|:\d)")
ANSWERS = "a scenario has no people who answer"
STRAIGHT = "a straight line has one slope, however long the look back"

NOT_NOTICED = {
    ("3", "within 4 h -> 4.4 h"): ANSWERS,
    ("3", "within 4 h -> 3.6 h"): ANSWERS,
    ("3", "to 85 % -> 86 %"): ANSWERS,
    ("3", "to 85 % -> 84 %"): ANSWERS,
    ("7", "most 60 W -> 66 W"): "the bench's loads draw 60 W, so that more is no limit",
    ("21", "over 90 d -> 99 d"): STRAIGHT,
    ("21", "over 90 d -> 81 d"): STRAIGHT,
}
"""Changes that no scenario can notice, and why."""


def changes(recipe: Recipe) -> Iterator[tuple[str, str]]:
    """Each figure up and down: by a point, a piece, two degrees; of everything else by a tenth."""
    code = re.sub(r'"[^"]*"', lambda found: " " * len(found[0]), recipe.block)
    for found in FIGURE.finditer(code):
        value, gap, unit = found.groups()
        step = {"%": 1.0, None: 1.0, "°C": 2.0}.get(unit, abs(float(value)) / 10)
        before = code[: found.start()].split()[-1]
        for up in (1, -1):
            new = f"{float(value) + up * step:.4g}"
            said = f"{before} {value}{gap}{unit or ''} -> {new}{gap}{unit or ''}"
            yield said, recipe.block[: found.start()] + new + gap + recipe.block[found.end(2) :]


CHANGES = [(recipe, *change) for recipe in RECIPES for change in changes(recipe)]


@pytest.mark.parametrize(
    ("recipe", "said", "block"), CHANGES, ids=[f"{one[0].number} {one[1]}" for one in CHANGES]
)
def test_a_figure_that_moves_is_noticed(recipe: Recipe, said: str, block: str) -> None:
    got = read(block + "\n" + recipe.played)
    if got.plan is None:
        return  # refused outright
    signals = catalogue(site().signals)
    noticed = any(not play(one, got.plan, signals, CHEMISTRIES).ok for one in got.scenarios)
    assert noticed is ((recipe.number, said) not in NOT_NOTICED)


def test_figures_are_moved() -> None:
    assert len(CHANGES) > 120
    assert set(NOT_NOTICED) <= {(recipe.number, said) for recipe, said, _ in CHANGES}
    assert len({(recipe.number, block) for recipe, _, block in CHANGES}) == len(CHANGES)

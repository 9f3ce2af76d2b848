"""Every ready-made file: it loads, its scenarios come out, and they touch all of its rules."""

import re
from pathlib import Path

import pytest
from rules_kit import CATALOGUE, CHEMISTRIES, NAMES, failed, loaded, plan_of, read, text_of

from carerules.domain.selector import ChemistryIs, Selector
from carerules.lang.format import format_text
from carerules.sim.coverage import Coverage, sides_in, untouched
from carerules.sim.verdict import play

PAGE = (Path(__file__).parents[2] / "docs" / "rules.md").read_text("utf-8")
TOGETHER = "".join(f'use "{name}"\n' for name in NAMES)


def test_the_files_that_ship() -> None:
    """Each has its section in docs/rules.md, and no other is told of there."""
    assert sorted(re.findall(r"^## `([\w-]+)`:", PAGE, re.M)) == NAMES
    assert len(NAMES) >= 10


@pytest.mark.parametrize("name", NAMES)
def test_a_file_loads_without_a_word(name: str) -> None:
    got = loaded(name)
    assert [found.show(text_of(name)) for found in got.diagnostics] == []
    assert got.plan is not None
    assert got.scenarios


@pytest.mark.parametrize("name", NAMES)
def test_a_file_is_laid_out(name: str) -> None:
    assert format_text(text_of(name), f"{name}.care") == text_of(name)


@pytest.mark.parametrize("name", NAMES)
def test_scenarios_come_out_and_touch_every_side(name: str) -> None:
    got = loaded(name)
    plan, coverage = plan_of(got), Coverage()
    for scenario in got.scenarios:
        verdict = play(scenario, plan, CATALOGUE, CHEMISTRIES, coverage)
        assert verdict.ok, (scenario.name, failed(verdict))
    own = [rule.name for rule in plan.rules]
    assert sides_in(plan, own) >= 3 * len(own)
    assert untouched(plan, coverage, own) == []


@pytest.mark.parametrize("name", NAMES)
def test_a_file_says_what_it_is_for(name: str) -> None:
    text = text_of(name)
    head = " ".join(text[: text.index("\nlet ")].replace("#", " ").split())
    assert "ommon practice, no source" in head
    assert "maker's instructions come first" in head or "the maker say comes first" in head
    assert all(rule.because for rule in plan_of(loaded(name)).rules)
    promises = r"\b(safe|safely|protects?|prevents?|compliant|fail-safe)\b"
    assert not re.search(promises, text, re.IGNORECASE)


@pytest.mark.parametrize("name", NAMES)
def test_every_figure_of_a_rule_can_be_set_from_outside(name: str) -> None:
    """`use "travel" with ahead = 7 d`. What stands in a rule itself is 0, 1, full, or a day that
    an event stays news."""
    for line in text_of(name).split("\nscenario ")[0].splitlines():
        code = re.sub(r'#.*|"[^"]*"', "", line)
        if code.startswith(("let", "group")) or "cells =" in code:
            continue
        figures = re.findall(r"(?<![\w.-])\d+(?: ?(?:%|min|h|d|wk|V|mV|°C))?", code)
        assert set(figures) <= {"1", "1 d", "1 h", "100 %"}, line


@pytest.mark.parametrize("name", NAMES)
def test_a_let_that_is_set_from_outside_counts(name: str) -> None:
    """Each `let` of each file can be replaced, and something in the plan is then different."""
    before = plan_of(read(f'use "{name}"\n'))
    lets = re.findall(r"^let ([\w-]+) += (\d+(?:\.\d+)?)( ?[^\s#]*)", text_of(name), re.MULTILINE)
    assert lets
    for let, value, unit in lets:
        other = f"{float(value) * 0.97:g}" if unit.strip() else str(int(value) + 1)
        after = plan_of(read(f'use "{name}" with {let} = {other}{unit}\n'))
        assert [(r.key, r.actions) for r in after.rules] != [
            (r.key, r.actions) for r in before.rules
        ] or [n.when for n in after.nevers] != [n.when for n in before.nevers], let


def test_all_files_load_together() -> None:
    got = read(TOGETHER)
    assert got.diagnostics == ()
    names = [rule.name for rule in plan_of(got).rules]
    assert len(names) == len(set(names)) == sum(len(plan_of(loaded(n)).rules) for n in NAMES)


CHEMISTRY_FILES = {"lipo", "lipo-high-voltage", "li-ion", "lifepo4", "nimh-handset"}


def _chemistries(selector: Selector) -> set[str]:
    parts = getattr(selector, "parts", ())
    found = {selector.chemistry} if isinstance(selector, ChemistryIs) else set()
    return found.union(*(_chemistries(part) for part in parts))


@pytest.mark.parametrize("name", sorted(CHEMISTRY_FILES))
def test_a_chemistry_file_speaks_of_its_own_packs_only(name: str) -> None:
    plan = plan_of(loaded(name))
    kind = name.removesuffix("-handset")
    own = {kind, f"{kind}-low-self-discharge"} if name == "nimh-handset" else {kind}
    assert own <= CHEMISTRIES.keys()
    spoken_of = [_chemistries(one.selector) for one in (*plan.rules, *plan.nevers)]
    assert all(spoken_of)
    assert set().union(*spoken_of) == own

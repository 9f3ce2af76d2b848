"""Scenarios hold the rules: a figure that is changed by a step, or an `over` left out, is noticed.

Each `let` and each figure in a rule is changed up and down, and each `over` is left out, one at a
time; then some scenario of the file must come out otherwise. Where none can, the reason is below.
"""

import re
from collections.abc import Iterator
from typing import NamedTuple

import pytest
from rules_kit import CATALOGUE, CHEMISTRIES, NAMES, loaded, plan_of, read, text_of

from carerules.domain.plan import Plan
from carerules.domain.scenario import ExpectJob, Scenario
from carerules.lang import Loaded
from carerules.sim.verdict import play


class Change(NamedTuple):
    """One planted change: where it is, what it says before and after, and the whole text."""

    file: str
    what: str
    text: str


FAR = "a scenario can plan a use at most a week ahead"
OUTRANKED = "the chemistry's own limit refuses first"
STILL = "a voltage that a scenario sets stands still, and its pack is taken not to answer"
ALONE = "no rule of this file charges; test_rules_travel.py looks at it beside lipo"

NOT_NOTICED: dict[tuple[str, str], str] = {
    ("lipo", "let away: 10 d -> 11 d"): FAR,
    ("lipo", "let away: 10 d -> 9 d"): FAR,
    ("lipo", "let charge-cold: 5 °C -> 3 °C"): OUTRANKED,
    ("lipo", "let charge-hot: 45 °C -> 47 °C"): OUTRANKED,
    ("lipo", "let rest-first: 20 min -> 18 min"): OUTRANKED,
    ("lipo", "let cell-low: 3.4 V -> 3.06 V"): OUTRANKED,
    ("li-ion", "let charge-hot: 45 °C -> 47 °C"): OUTRANKED,
    ("li-ion", "let cell-low: 3.2 V -> 3.52 V"): STILL,
    ("lifepo4", "let charge-cold: 5 °C -> 3 °C"): OUTRANKED,
    ("lifepo4", "let charge-hot: 45 °C -> 47 °C"): OUTRANKED,
    ("lifepo4", "let cell-low: 3 V -> 2.7 V"): OUTRANKED,
    ("lifepo4", "let cell-low: 3 V -> 3.3 V"): STILL,
    ("lipo-high-voltage", "let cell-low: 3.5 V -> 3.85 V"): STILL,
    ("travel", "let charge-below: 15 % -> 14 %"): ALONE,
    ("travel", "let charge-below: 15 % -> 16 %"): ALONE,
}
"""Changes that no scenario can notice, and why."""

FIGURE = re.compile(r"(?<![\w.:\"-])(\d+(?:\.\d+)?)( ?)(%|h|d|min|mV|V|°C|Ah|y|wk)?(?![\w.]|:\d)")


def _stepped(value: str, unit: str | None, up: int) -> str:
    """One point, one piece, two degrees; of everything else a tenth, at least a hundredth."""
    number = float(value)
    step = {"%": 1.0, None: 1.0, "°C": 2.0}.get(unit, max(number / 10, 0.01))
    return f"{max(number + up * step, 0):.4g}"


def _head(text: str) -> str:
    """All above the scenarios."""
    found = re.search(r"^(# -+ scenarios|scenario )", text, re.MULTILINE)
    return text[: found.start()] if found else text


def _figures(name: str) -> Iterator[Change]:
    text, at, rule = text_of(name), 0, ""
    for line in _head(text).splitlines(keepends=True):
        code = re.sub(r'#.*|"[^"]*"', lambda found: " " * len(found[0]), line)
        head = re.match(r"(let|rule|group|never \w+)(?: ([\w-]+))?", line)
        rule = " ".join(part for part in head.groups() if part) if head else rule
        for found in FIGURE.finditer(code) if rule and not rule.startswith("group") else ():
            value, gap, unit = found.groups()
            for up in (-1, 1):
                new = _stepped(value, unit, up)
                after = text[: at + found.start(1)] + new + text[at + found.end(1) :]
                said = f"{value}{gap}{unit or ''} -> {new}{gap}{unit or ''}"
                yield Change(name, f"{rule}: {said}", after)
        at += len(line)


def _overs(name: str) -> Iterator[Change]:
    text = text_of(name)
    for found in re.finditer(
        r"^rule ([\w-]+)[^\n]*?(?:\n   )?( over ([\w, -]+?))$", text, re.MULTILINE
    ):
        others = found[3].split(", ")
        for other in others:
            rest = [one for one in others if one != other]
            kept = f" over {', '.join(rest)}" if rest else ""
            after = text[: found.start(2)] + kept + text[found.end(2) :]
            yield Change(name, f"rule {found[1]}: not over {other}", after)


CHANGES = [change for name in NAMES for change in (*_figures(name), *_overs(name))]


def _near(scenario: Scenario, changed: set[str]) -> bool:
    """Whether it expects something of a rule that was changed."""
    return any(
        isinstance(expect, ExpectJob) and expect.rule in changed
        for line in scenario.lines
        for expect in line.expects
    )


def _notices(before: Plan, got: Loaded) -> bool:
    plan = plan_of(got)
    known = {rule.name: (rule.key, rule.actions, rule.over) for rule in before.rules}
    changed = {
        rule.name for rule in plan.rules if known[rule.name] != (rule.key, rule.actions, rule.over)
    }
    nearest_first = sorted(got.scenarios, key=lambda one: not _near(one, changed))
    return any(not play(one, plan, CATALOGUE, CHEMISTRIES).ok for one in nearest_first)


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: f"{change.file} {change.what}")
def test_a_change_is_noticed(change: Change) -> None:
    got = read(change.text)
    if got.plan is None:
        return  # refused outright: noticed before any scenario is played
    noticed = _notices(plan_of(loaded(change.file)), got)
    assert noticed is ((change.file, change.what) not in NOT_NOTICED)


def test_every_exception_is_of_a_change_that_is_made() -> None:
    made = {(change.file, change.what) for change in CHANGES}
    assert set(NOT_NOTICED) <= made
    overs = [rule for name in NAMES for rule in plan_of(loaded(name)).rules for _ in rule.over]
    assert len(overs) == sum("not over" in what for _, what in made)
    assert len({(change.file, change.text) for change in CHANGES}) == len(CHANGES) > 100

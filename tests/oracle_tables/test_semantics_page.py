"""docs/semantics.md: each picture is what the program draws, each figure what the tables say."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from pictures_kit import draw, read, wrong_marks
from traces_kit import read as read_trace

DOCS = Path(__file__).parents[2] / "docs"
PAGE = (DOCS / "semantics.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```text\n(.*?)```", PAGE, re.DOTALL)
TABLE = json.loads((DOCS / "oracles" / "monitors.json").read_text(encoding="utf-8"))["cases"]


@pytest.mark.parametrize("block", BLOCKS, ids=lambda block: " ".join(block.split()[:8]))
def test_picture(block: str) -> None:
    picture = read(block)
    drawn = draw(picture.told)
    assert picture.drawn
    assert "barred" in picture.drawn or "fires" in picture.drawn
    assert picture.drawn == {name: drawn[name] for name in picture.drawn}


def test_there_are_pictures_and_they_fit_a_terminal() -> None:
    assert len(BLOCKS) >= 15
    assert all(len(line) <= 80 for block in BLOCKS for line in block.splitlines())


def test_the_rulers_are_right() -> None:
    """A number of the `time` line stands over the column that it names."""
    assert [mark for block in BLOCKS for mark in wrong_marks(block)] == []


def test_the_figures_of_the_differences() -> None:
    steps = [case for case in TABLE if "traces" in case]
    gaps = [case for case in steps if any("u" in one for one in case["traces"].values())]
    assert (len(TABLE), len(steps)) == (500, 300)
    assert "asked 500 formulas" in PAGE
    assert 0.45 < len(gaps) / len(steps) < 0.55
    differ = sum(read_trace(case["answer"]) != read_trace(case["kleene"]) for case in steps)
    assert f"differently somewhere in {differ};" in PAGE


def by_the_page(formula: object, traces: dict[str, str], moment: int) -> str:
    """Kleene logic, but for what the page's table says of `for`, and of what lay before 0."""
    order = "nuy"
    if isinstance(formula, str):
        return [letter for at, letter in read_trace(traces[formula]) if at <= moment][-1]
    assert isinstance(formula, list)
    kind, *rest = formula
    if kind in ("for", "in last"):
        time, part = rest
        since = max(0, moment - time)
        seen = [by_the_page(part, traces, at) for at in range(since, moment + 1)]
        if kind == "in last":
            return max(seen, key=order.index)
        if seen[-1] == "u":
            return "u"
        return "y" if moment >= time and set(seen) == {"y"} else "n"
    parts = [by_the_page(one, traces, moment) for one in rest]
    if kind == "not":
        return order[2 - order.index(parts[0])]
    return (min if kind == "and" else max)(parts, key=order.index)


def test_the_differences_are_all_on_the_page() -> None:
    for case in TABLE:
        if "traces" in case:
            wanted = dict(read_trace(case["answer"]))
            letter = ""
            for moment in range(case["end"]):
                letter = wanted.get(moment, letter)
                assert by_the_page(case["formula"], case["traces"], moment) == letter, case

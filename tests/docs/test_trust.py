"""docs/trust.md: each figure stands on the page that it links."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

DOCS = Path(__file__).parents[2] / "docs"
PAGE = (DOCS / "trust.md").read_text("utf-8")
MEASURED = PAGE[PAGE.index("## What was measured") : PAGE.index("## Where its numbers")]
MADE_ANEW = ("reliability-mutation.md", "reliability.md")
"""Their figures change with each run: what is said of them is a bound."""
ROWS = re.findall(r"^\| ([^|]+) \| ([^|]+) \| ([^|]+) \| \[\S+\]\((\S+)\) \|$", MEASURED, re.M)
FIGURE = re.compile(r"\d+(?:[  ]\d{3})*(?:\.\d+)?(?:e-\d+)?")


SAID = [
    ("battery.md", "| 30 Ah pouch cell, measured, 25 °C | 0.3 | 0.3 |"),
    ("battery.md", "| the same at 10 °C | 0.5 | 0.5 |"),
    ("battery.md", "Two published lithium cobalt oxide cells differ by up to 9 points"),
    ("battery.md", "curve 8 mV off either way | 1.9 to 2.7 |"),
    ("battery.md", "cannot be read from about 20 to 98 %"),
    ("battery.md", "the truth lay within 2 sigma in 96.9 to 98.5 % of all minutes"),
    ("battery.md", "with quadrature in the tests to 1e-6"),
    ("battery.md", "14 % off in time at 1 C and 126 % at 3 C"),
    ("battery.md", "ten seconds apart to 1.1 to 1.2 times"),
    ("battery.md", "age 1.1 to 5 times faster at 100 % than at 50 %"),
    ("reliability-times.md", "not started again | 90 | 4 | 78.60 | 86.05 | 86.05 |"),
    ("reliability-times.md", "telemetry stops | 30 | 10 | 59.20 | 59.59 | 59.59 |"),
]
"""What the rows rest on, in the words of those pages: when they change, the row is looked at."""


@pytest.mark.parametrize(
    ("what", "figure", "page"), [(a, b, d) for a, b, _, d in ROWS if d not in MADE_ANEW]
)
def test_a_figure_stands_on_its_page(what: str, figure: str, page: str) -> None:
    """Among the very words that the rows of that page rest on."""
    there = {one for name, words in SAID if name == page for one in FIGURE.findall(words)}
    told = FIGURE.findall(figure)
    assert told
    assert [one for one in told if one not in there] == []


@pytest.mark.parametrize(("page", "words"), SAID, ids=[words[:40] for _, words in SAID])
def test_what_the_rows_rest_on_is_still_said(page: str, words: str) -> None:
    text = " ".join((DOCS / page).read_text("utf-8").split())
    assert words in text


def test_the_bounds_on_what_is_made_anew() -> None:
    mutation = (DOCS / "reliability-mutation.md").read_text("utf-8")
    wholes = re.findall(r"^\| \*\*all\*\* \| \*\*(\d+)\*\* \| \*\*(\d+)\*\* \|", mutation, re.M)
    in_functions, elsewhere = (int(found) / int(planted) for planted, found in wholes)
    assert (in_functions > 0.97, elsewhere > 0.85) == (True, True)
    assert "over 97 % found in functions, over 85 % elsewhere" in MEASURED
    played = (DOCS / "reliability.md").read_text("utf-8")
    nights = re.findall(r"^\| nights \| ([\d ]+),", played, re.M)
    assert all(int(one.replace(" ", "")) >= 5000 for one in nights)
    assert nights
    assert set(re.findall(r"^\| nights that broke a bound \| (\d+)", played, re.M)) == {"0"}
    assert "--nights 5000" in (DOCS.parent / ".ci" / "run").read_text("utf-8")


def test_every_row_rests_on_something() -> None:
    assert len(ROWS) == 11 == MEASURED.count("\n| ") - 2
    assert {page for *_, page in ROWS} == {*MADE_ANEW, *(page for page, _ in SAID)}


def test_what_comes_first_is_said_first() -> None:
    head = PAGE[: PAGE.index("## ")]
    for words in ("maker's instructions", "local codes", "licensed"):
        assert words in head
    assert "Nothing on this page makes a pack, a load or a room fit to be left alone" in " ".join(
        head.split()
    )

"""The reference, docs/language.md: every example is read, every table is whole."""

import re
from pathlib import Path

import pytest
from lang_kit import CATALOGUE, NAMES, loaded

from carerules.domain.action import ACTIONS
from carerules.domain.condition import PERSON_EVENTS
from carerules.domain.quantity import DURATION, UNITS, WARMTH
from carerules.domain.wording import DAY_NAMES
from carerules.lang import CODES, load
from carerules.lang.words import KEYWORDS
from carerules.shipped import shipped

TEXT = (Path(__file__).parents[2] / "docs" / "language.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```care\n(.*?)```", TEXT, re.DOTALL)


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda text: text.split("\n")[0][:40])
def test_an_example_is_read_without_a_word(example: str) -> None:
    lipo = (shipped("rules") / "lipo.care").read_text(encoding="utf-8")
    got = load({"a.care": example}, catalogue=CATALOGUE, names=NAMES, fetch={"lipo": lipo}.get)
    assert got.diagnostics == ()
    assert got.plan is not None
    assert got.plan.rules


def test_there_are_examples() -> None:
    assert len(EXAMPLES) >= 8


def test_the_message_shown_is_the_message_told() -> None:
    (shown,) = re.findall(r"```text\n(river.*?)```", TEXT, re.DOTALL)
    source = "when pack.sock >= 95 % for 24 h: drain to 80 %"
    (found,) = loaded(source, "river.care").diagnostics
    assert found.show(source) == shown.rstrip("\n")


def _table(head: str) -> list[list[str]]:
    """The rows below a heading line of a table."""
    rows = TEXT[TEXT.index(head) :].split("\n")[2:]
    found = []
    for row in rows:
        if not row.startswith("|"):
            return found
        found.append([cell.strip() for cell in row.strip("|").split(" | ")])
    return found


def test_the_table_of_signals_is_the_catalogue() -> None:
    wanted = [
        [f"`{row.name}`", "time" if row.dimension == DURATION else row.dimension.unit, row.meaning]
        for row in CATALOGUE.values()
    ]
    assert _table("| signal | unit |") == wanted


def test_the_table_of_codes_is_the_table_of_codes() -> None:
    wanted = [
        [f"`{code.name}`", code.title + (" (warning)" if code.warning else "")]
        for code in CODES.values()
    ]
    assert _table("| code | what") == wanted


def test_the_table_of_actions_has_every_action_that_is_read() -> None:
    forms = [row[0].strip("`") for row in _table("| action | what")]
    read = [row.name for row in ACTIONS.values() if row.name in KEYWORDS]
    assert sorted({form.split()[0] for form in forms}) == sorted(read)
    assert len(read) == len(ACTIONS)


def test_units_events_and_days_are_all_named() -> None:
    units = " ".join(cell for row in _table("| kind | units |") for cell in row)
    for symbol, unit in UNITS.items():
        assert (f"`{symbol}`" in units) == (unit.dimension != WARMTH), symbol
    events = TEXT[TEXT.index("Events:") :].split("\n")[0]
    assert [f"`{event}`" in events for event in PERSON_EVENTS] == [True] * len(PERSON_EVENTS)
    assert " ".join(DAY_NAMES) in TEXT


def test_the_words_of_the_language_are_all_named() -> None:
    page = TEXT[TEXT.index("## The words of the language") : TEXT.index("## What is told")]
    listed = page.split("channel:")[1].split()
    assert listed == [f"`{word}`" for word in sorted(KEYWORDS)]

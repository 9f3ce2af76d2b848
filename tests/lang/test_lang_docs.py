"""The reference, docs/language.md: every example is read, every table is whole."""

import re
from pathlib import Path

import pytest
from lang_kit import CATALOGUE, NAMES, loaded

from carerules.domain.action import ACTIONS
from carerules.domain.event import PERSON_EVENTS
from carerules.domain.plan import DAY_NAMES
from carerules.domain.quantity import C_RATE, DURATION, UNITS, WARMTH
from carerules.lang import CODES, load
from carerules.lang.parse import keywords
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
    read = [row.name for row in ACTIONS.values() if row.name.upper() in keywords()]
    assert sorted(form.split()[0] for form in forms) == sorted(read)
    assert len(read) >= 9


def test_units_events_and_days_are_all_named() -> None:
    units = " ".join(cell for row in _table("| kind | units |") for cell in row)
    for symbol, unit in UNITS.items():
        assert (f"`{symbol}`" in units) == (unit.dimension not in (C_RATE, WARMTH)), symbol
    events = TEXT[TEXT.index("Events:") :].split("\n")[0]
    assert [f"`{event}`" in events for event in PERSON_EVENTS] == [True] * len(PERSON_EVENTS)
    assert " ".join(DAY_NAMES) in TEXT


# One line a construct; every one is named on the page under "Not there yet".
LATER = [
    ("when max of pack.temperature over 1 h > 40 °C: retire", "max of"),
    ("when slope of pack.cell.spread over 30 d > 1 mV/d: retire", "slope of"),
    ("when number of packs where pack.soc > 95 > 3: retire", "number of packs where"),
    ("when pack.soc rises above 95: retire", "rises above"),
    ("when pack.soc > 95 and at 22:00: retire", "at"),
    ("when pack.soc < 95: charge to 100 by 08:00", "by"),
    ("when pack.soc < 95: charge to 100 at most 0.5 C", "rates of charge"),
    ('when pack.soc < 95: notify "x" again every 7 d', "again"),
    ('when pack.soc < 95: notify "x" to phone', "to CHANNEL"),
    ("when pack.soc > 95 in at least 3 of last 5 samples: retire", "in at least M of last N"),
    ("when pack.soc > 95: hold 2 h", "hold"),
    ("when pack.soc > 95: switch fan on for 1 h", "switch"),
]


@pytest.mark.parametrize(("text", "name"), LATER)
def test_what_is_not_there_yet_is_told_as_such(text: str, name: str) -> None:
    assert [found.code for found in loaded(text).diagnostics] == ["not-there-yet"]
    assert name in TEXT[TEXT.index("## Not there yet") :].replace("\n", " ")

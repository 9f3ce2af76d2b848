"""What each word means, and numbers as one says them."""

import re

import pytest

from carerules.domain.moment import SECOND
from carerules.domain.quantity import SPELLINGS, UNITS, unit_named
from carerules.domain.signal import catalogue
from carerules.lang import KEYWORDS
from carerules.lang.reference import reference
from carerules.lsp.features import alone, hover
from carerules.lsp.features.numbers import clock_in_words, in_words, numbers_in, time_in_words

RULES = """let full = 95 %   # as the maker says
# those that go by boat
group boats: packs where role is boat and tagged "smart"
never charge when pack.temperature < 5 °C
rule a on boats packs over b
    because "a full pack ages"
    when pack.soc >= full for 24 h and time until use > 7 d and during 22:00-06:00:
        drain to 80 % at most 60 W
        charge to 90 % at most 0.5 C by 07:00
        notify "{pack} has {pack.soc}" again every 30 min
rule b on pack heron when count charge since calibration > 20 and on sat: mark emptied
scenario "a weekend"
    given pack egret at 100 % since Fri 18:00
    at Sat 18:00: egret used, expect egret drain to 80 % by a
"""


def said(mark: str, text: str = RULES, *, nth: int = 0, after: int = 0) -> str:
    sight = alone(text)
    place = -1
    for _ in range(nth + 1):
        place = text.index(mark, place + 1)
    found = hover(sight, sight.document.position(place + after))
    return "" if found is None else found.text


@pytest.mark.parametrize(
    ("mark", "wanted"),
    [
        ("pack.soc >=", "**pack.soc**: state of charge"),
        ("pack.soc >=", "from 0 % to 100 %"),
        ("pack.temperature", "in °C, from -40 °C to 120 °C"),
        ("pack.temperature", "older than 10 min counts as unknown"),
        ("pack.soc}", "state of charge"),
        ("full for", "let full = 95 %"),
        ("full for", "95 percent"),
        ("boats packs", "group boats: packs where role is boat"),
        ("boats packs", "# those that go by boat"),
        ("b\n    because", "rule b on pack heron"),
        ("24 h", "one day"),
        ("7 d", "one week"),
        ("5 °C", "41 °F"),
        ("0.5 C", "the whole capacity in two hours"),
        ("22:00-06:00", "ten in the evening to six in the morning, eight hours, past midnight"),
        ("07:00", "seven in the morning"),
        ("drain to", "drain to SOC"),
        ("charge to", "use the station's charger until the target"),
        ("charge since", "it was charged"),
        ("used", "it was used"),
        ("emptied", "an event that a rule marks"),
        ("heron", "a pack of the site"),
        ("egret drain", "a pack of this scenario"),
        ("never", "nothing charges the pack"),
        ("for 24", "C for D"),
        ("time until", "until the next planned use"),
        ("over b", "these rules give way"),
        ("because", "the reason"),
        ("during", "at these times of day"),
        ("again", "notify"),
        ("sat:", "a day of the week"),
        ("given", "a pack of the scenario"),
        ("expect", "expect PACK"),
        ("smart", "a tag"),
    ],
)
def test_the_meaning_of(mark: str, wanted: str) -> None:
    assert wanted in said(mark)


@pytest.mark.parametrize("mark", ["as the maker", "# as", "\n", "= 95"])
def test_where_nothing_is_to_be_said(mark: str) -> None:
    text = "  \n" + RULES if mark == "\n" else RULES
    assert said(mark, text) == ""


def test_the_range_is_the_word() -> None:
    sight = alone(RULES)
    place = RULES.index("pack.temperature")
    found = hover(sight, sight.document.position(place + 3))
    assert found is not None
    words = sight.document
    assert (words.offset(found.range.start), words.offset(found.range.end)) == (place, place + 16)


def test_every_keyword_of_every_example_is_explained_by_a_form_that_has_it() -> None:
    wrong, looked = [], 0
    for entry in reference():
        text = entry.example
        sight = alone(text)
        names = {(one.span.line, one.span.column) for one in sight.outline.names}
        for match in re.finditer(r"(?<![\w.-])[a-z]+(?![\w.-])", text):
            row = text[: match.start()].rpartition("\n")[2]
            place = text.count("\n", 0, match.start()) + 1, len(row) + 1
            unit = re.search(r"\d\s*$", row) and unit_named(match[0])
            if match[0] not in KEYWORDS or row.count('"') % 2 or place in names or unit:
                continue
            found = hover(sight, sight.document.position(match.start() + 1))
            form = "" if found is None else found.text.split("\n")[1]
            if match[0] not in re.findall(r"[a-z]+", form):
                wrong.append((match[0], text, form))
            looked += 1
    assert wrong == []
    assert looked > 500


def test_a_form_explains_its_own_first_word() -> None:
    """Each statement, action, condition and line, in its own example, is found again."""
    missed = []
    for entry in reference():
        if entry.kind in ("keyword", "unit", "event", "value", "filter", "selector"):
            continue
        first = re.search(r"[a-z]+", entry.form)
        assert first is not None or entry.kind in ("condition", "change")
        if first is None:
            continue
        forms = set()
        for match in re.finditer(rf"(?<![\w.-]){first[0]}(?![\w.-])", entry.example):
            text = said_at(entry.example, match.start() + 1)
            forms |= {text.split("\n")[1]} if text.startswith("```care\n") else set()
        # Of this one the shorter `expect PACK drain` is shown, which is as true of it.
        if entry.form not in forms and entry.form != "expect PACK ACTION by RULE":
            missed.append((entry.kind, entry.form, sorted(forms)))
    assert missed == []


def said_at(text: str, offset: int) -> str:
    sight = alone(text)
    found = hover(sight, sight.document.position(offset))
    return "" if found is None else found.text


def test_every_signal_says_its_unit_and_meaning() -> None:
    plain = {"duration": "a time", "switch": "on or off"}
    for signal in catalogue().values():
        text = said_at(f"when {signal.name} is on: retire", 6)
        assert signal.meaning in text
        assert plain.get(signal.dimension.name, f"in {signal.dimension.unit}") in text


# ---- numbers -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("24 h", "one day"), ("24h", "one day"), ("48 hours", "two days"),
        ("90 min", "one hour and 30 minutes"), ("1 h 30 min", "one hour and 30 minutes"),
        ("36 h", "one day and twelve hours"), ("14 d", "two weeks"), ("30 d", "30 days"),
        ("1 wk", "one week"), ("45 s", "45 seconds"), ("0.1 s", "less than a second"),
        ("95 %", "95 percent"), ("95%", "95 percent"), ("30 mV", "30 millivolts, 0.03 V"),
        ("3.4 V", "3.4 volts"), ("1 V", "one volt"), ("2 A", "two amperes"),
        ("5000 mAh", "5000 milliampere-hours, 5 Ah"), ("60 W", "60 watts"),
        ("350 Wh", "350 watt-hours"), ("5 mohm", "five milliohms"), ("0.02 Ω", "0.02 ohms, 20 mΩ"),
        ("5 °C", "five degrees Celsius, 41 °F"), ("-20 °C", "-20 degrees Celsius, -4 °F"),
        ("104 °F", "104 degrees Fahrenheit, 40 °C"),
        ("0.5 C", "0.5 C, which is the whole capacity in two hours"),
        ("1 mV/d", "one millivolt a day"), ("2 %/wk", "two percent a week"),
    ],
)  # fmt: skip
def test_a_number_in_words(text: str, words: str) -> None:
    (number,) = numbers_in(text)
    assert in_words(number.pieces) == words
    assert (number.start, number.end) == (0, len(text))


def test_every_unit_and_spelling_is_said() -> None:
    for symbol in (*UNITS, *SPELLINGS):
        assert in_words((("2", symbol),)), symbol


@pytest.mark.parametrize(
    ("row", "found"),
    [
        ("95", ["95"]), ("a-1 b2 3", ["3"]), ("22:00-06:00", []), ("5 and 6 h", ["5", "6 h"]),
        ("in at least 3 of last 5 samples", ["3", "5"]), ("1 h 30", ["1 h", "30"]),
        ("drain to 80 at most 60 W", ["80", "60 W"]), ("−5 °C", ["−5 °C"]),
    ],
)  # fmt: skip
def test_numbers_are_found_in_a_row(row: str, found: list[str]) -> None:
    assert [row[one.start : one.end] for one in numbers_in(row)] == found


@pytest.mark.parametrize(
    ("clock", "words"),
    [
        ((0, 0), "midnight"), ((12, 0), "noon"), ((0, 30), "half past twelve at night"),
        ((6, 1), "one minute past six in the morning"),
        ((13, 45), "45 minutes past one in the afternoon"),
        ((22, 0), "ten in the evening"), ((23, 5), "five minutes past eleven at night"),
    ],
)  # fmt: skip
def test_clock_times_in_words(clock: tuple[int, int], words: str) -> None:
    assert clock_in_words(*clock) == words


def test_times_that_are_none_or_huge() -> None:
    assert time_in_words(0) == "no time"
    assert time_in_words(10**9 * 86_400 * SECOND) == "1000000000 days"

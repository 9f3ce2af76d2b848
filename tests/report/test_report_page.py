"""Folding at 80 columns, and the words for plugs, durations and percentages."""

from __future__ import annotations

from unicodedata import east_asian_width

import pytest
from hypothesis import given
from hypothesis import strategies as st

from carerules.domain.spelling import printable
from carerules.report.page import WIDTH, fold, show_percent, show_s
from carerules.report.status import plug_word
from carerules.safety import PlugState


def columns(line: str) -> int:
    """As a terminal counts them. Source: Unicode Standard Annex 11, wide and fullwidth."""
    return sum(2 if east_asian_width(character) in "WF" else 1 for character in line)


@given(head=st.text(max_size=70), text=st.text(max_size=400), hang=st.none() | st.integers(0, 79))
def test_no_line_is_wider_and_no_word_is_lost(head: str, text: str, hang: int | None) -> None:
    lines = fold(head, text, hang)
    assert lines
    assert all(columns(line) <= WIDTH for line in lines)
    said = "".join("".join(lines).split())
    assert said == "".join((printable(head) + printable(text)).split())
    assert all(character.isprintable() for line in lines for character in line)


FOLDED = [
    (
        "what takes two columns counts twice",
        "  ",
        "水鳥 " * 17,
        4,
        ["  " + " ".join(["水鳥"] * 15), "    水鳥 水鳥"],
    ),
    ("a short one stays whole", "  charge   ", "100 %", None, ["  charge   100 %"]),
    ("nothing to say leaves the head", "head", "", None, ["head"]),
    (
        "further lines hang under the first word",
        "  charge   ",
        "word " * 16,
        None,
        ["  charge   " + " ".join(["word"] * 14), " " * 11 + "word word"],
    ),
    (
        "or where they are told to",
        "  ",
        "word " * 17,
        4,
        ["  " + " ".join(["word"] * 15), "    word word"],
    ),
]


@pytest.mark.parametrize(
    ("what", "head", "text", "hang", "wanted"), FOLDED, ids=lambda v: str(v)[:30]
)
def test_fold(what: str, head: str, text: str, hang: int | None, wanted: list[str]) -> None:
    assert fold(head, text, hang) == wanted


SECONDS = [
    (0.0, "0 s"), (0.4, "0.4 s"), (5.0, "5 s"), (65_520.0, "18 h 12 min"), (86_400.0, "24 h"),
    (3_599.9996, "1 h"), (273_600.0, "3 d 4 h"),
]  # fmt: skip


@pytest.mark.parametrize(("seconds", "words"), SECONDS)
def test_seconds_are_said_as_people_do(seconds: float, words: str) -> None:
    assert show_s(seconds) == words


def test_percent() -> None:
    assert show_percent(99.93, 2.01) == "100 % ± 2 %"
    assert show_percent(55.0, None) == "55 %"


# SAFETY 4: OFF is done only when read back; until then it is shown as "off unproved".
PLUGS = [
    ("never heard", PlugState("p", off_at=0), "off unproved"),
    ("told off, not read back", PlugState("p", off_at=5, on=False, on_heard=3), "off unproved"),
    ("read back off", PlugState("p", on=False, on_heard=9), "off"),
    ("on by our word", PlugState("p", on_at=5, on=True, on_heard=6), "on"),
    ("on by our word, not yet confirmed", PlugState("p", on_at=5, on=False, on_heard=4), "on"),
    ("read back off, and now on", PlugState("p", on=True, on_heard=9), "on unasked"),
]


@pytest.mark.parametrize(("what", "plug", "word"), PLUGS, ids=[what for what, _, _ in PLUGS])
def test_a_plug_s_word(what: str, plug: PlugState, word: str) -> None:
    assert plug_word(plug) == word

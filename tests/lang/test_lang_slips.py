"""One slip in a good file: a word or a sign left out, doubled, changed or put in.

What is told stands where the slip is, and hardly anything follows from it. The bounds are our own
(`common practice, no source`): at most three messages beside the first, and nineteen of twenty
slips of a word told on their own line or the next. CARERULES_SLIPS=2000 tries that many of each
file, each time others.
"""

import os
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from random import Random, SystemRandom

import pytest
from lang_kit import CATALOGUE

from carerules.domain.diagnostic import Diagnostic
from carerules.lang import load
from carerules.lang.memo import Memo
from carerules.shipped import shipped

RULES = {
    one.name.removesuffix(".care"): one.read_text("utf-8")
    for one in shipped("rules").iterdir()
    if one.name.endswith(".care")
}
EACH = int(os.environ.get("CARERULES_SLIPS", "50"))  # of each file
FROM = SystemRandom().randrange(10**9) if "CARERULES_SLIPS" in os.environ else 0
FOLLOW_MAX = 3
_WORD = re.compile(r'"[^"\n]*"|#[^\n]*|[\w.%°/-]+|[^\s\w]+')


@dataclass(frozen=True)
class Slip:
    """A slip: how it came about, the text with it, and the lines that it is on."""

    what: str
    text: str
    first: int
    last: int


# What lies under the fingers, and what a text is copied with from elsewhere.
_SIGNS = "abcdefghijklmnopqrstuvwxyz0123456789 .,:;%()-_\"'<>=#{}\n\t°“”≥–\u00a0"


def mistyped(text: str, chance: Random) -> Slip:
    """A sign left out, doubled, changed with its neighbour or for another, or put in."""
    at = chance.randrange(len(text) - 1)
    one, other, strange = text[at], text[at + 1], chance.choice(_SIGNS)
    head, rest = text[:at], text[at + 1 :]
    kind, made = chance.choice(
        (("without", head + rest), ("twice", head + one + one + rest),
         ("changed", head + other + one + rest[1:]), (f"{strange!r} for", head + strange + rest),
         (f"{strange!r} before", head + strange + one + rest))
    )  # fmt: skip
    line = text.count("\n", 0, at) + 1
    return Slip(f"{kind} {one!r} in line {line}", made, line, line + 1)


def misplaced(text: str, chance: Random) -> Slip:
    """A word of the file where another stands."""
    words = [word for word in _WORD.finditer(text) if not word[0].startswith("#")]
    one, other = chance.choice(words), chance.choice(words)
    line = text.count("\n", 0, one.start()) + 1
    made = text[: one.start()] + other[0] + text[one.end() :]
    return Slip(f"`{other[0]}` for `{one[0]}` in line {line}", made, line, line)


def slipped(text: str, chance: Random) -> Slip:
    """A word left out, doubled or changed with its neighbour."""
    words = [word for word in _WORD.finditer(text) if not word[0].startswith("#")]
    at = chance.randrange(len(words) - 1)
    one, other = words[at], words[at + 1]
    kind = chance.choice(("without", "twice", "changed"))
    head, rest = text[: one.start()], text[one.end() :]
    if kind == "without":
        made, end = head + rest, one
    elif kind == "twice":
        made, end = f"{head}{one[0]} {one[0]}{rest}", one
    else:
        between = text[one.end() : other.start()]
        made, end = head + other[0] + between + one[0] + text[other.end() :], other
    lines = (text.count("\n", 0, one.start()) + 1, text.count("\n", 0, end.end()) + 1)
    return Slip(f"{kind} `{one[0]}` in line {lines[0]}", made, *lines)


WAYS: dict[str, Callable[[str, Random], Slip]] = {
    "slipped": slipped, "mistyped": mistyped, "misplaced": misplaced,
}  # fmt: skip


@cache
def told(name: str, way: str) -> tuple[tuple[Slip, tuple[Diagnostic, ...]], ...]:
    """Each slip of a file, and what is told of it."""
    chance, memo = Random(f"{name} {way} {FROM}"), Memo()
    found = []
    for _ in range(EACH):
        slip = WAYS[way](RULES[name], chance)
        got = load({name: slip.text}, catalogue=CATALOGUE, fetch=RULES.get, memo=memo)
        found.append((slip, got.diagnostics))
    return tuple(found)


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("name", RULES)
def test_at_most_three_messages_follow_from_one_slip(name: str, way: str) -> None:
    many = [
        (slip.what, [one.message for one in found]) for slip, found in told(name, way)
        if len(found) > 1 + FOLLOW_MAX
    ]  # fmt: skip
    assert many == [], f"from {FROM}"


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("name", RULES)
def test_each_message_has_its_place_and_says_what_was_wanted(name: str, way: str) -> None:
    for slip, found in told(name, way):
        for one in found:
            rows = (slip.text if one.span.file == name else RULES[one.span.file]).split("\n")
            assert 1 <= one.span.line <= len(rows), slip.what
            assert 1 <= one.span.column <= len(rows[one.span.line - 1]) + 1, slip.what
            assert re.fullmatch(r"[^A-Z\n][^\n]{9,}[^.\n]", one.message), slip.what
            wanted = one.mend.say if one.mend is not None else one.message.partition("wanted ")[2]
            assert wanted, (slip.what, one.message)


def test_what_is_told_stands_where_the_slip_is() -> None:
    """Of a word. A slip within a name may well be told where the name is asked for."""
    shown = [(name, *one) for name in RULES for one in told(name, "slipped") if one[1]]
    away = [
        (name, slip.what, [one.message for one in found])
        for name, slip, found in shown
        if not any(
            one.span.file == name and slip.first - 1 <= one.span.line <= slip.last + 1
            for one in found
        )
    ]  # fmt: skip
    assert len(shown) > 0.9 * EACH * len(RULES), "most slips are seen"
    assert len(away) <= 0.05 * len(shown), away


# ---- what such slips once brought about, a message for each line below -------------------------


def test_the_lines_below_one_with_another_margin_are_not_told_again() -> None:
    text = """\
rule low when pack.soc < 30: chore "charge {pack}"
scenario "days"
   given pack heron at 25 %
    after 1 h: expect heron chore
    after 2 h: expect nothing
    after 3 h: expect nothing
"""
    (found,) = load({"a.care": text}, catalogue=CATALOGUE).diagnostics
    assert (found.code, found.span.line) == ("indentation", 4)


def test_the_lines_below_one_that_lies_too_late_are_not_told_again() -> None:
    text = """\
rule low when pack.soc < 30: chore "charge {pack}"
scenario "days"
    given pack heron at 25 %
    after 33 h: expect heron chore
    after 4 h: expect nothing
    after 5 h: expect nothing
    after 6 h: expect nothing
"""
    (found,) = load({"a.care": text}, catalogue=CATALOGUE).diagnostics
    assert (found.code, found.span.line) == ("backwards", 5)


@pytest.mark.parametrize(
    "line",
    ["given pack heron at 60 % is li-ion capac ty 5 Ah", "given pack heron cells is capacity 5 Ah",
     "at Mon 10:00: hero non a station", "at Mon 10:00: expect heron charg;e refused",
     "at Mon 10:00: nothing charged, expect heron chore", "after 1 h coot pack.rested = 3 h"],
)  # fmt: skip
def test_no_guess_is_built_on_a_guess(line: str) -> None:
    text = f"""\
rule low when pack.soc < 30: chore "charge {{pack}}"
scenario "days"
    given pack coot at 25 %
    {line}
    after 9 d: expect coot chore
"""
    found = load({"a.care": text}, catalogue=CATALOGUE).diagnostics
    assert 1 <= len(found) <= 1 + FOLLOW_MAX
    assert {one.span.line for one in found} == {4}


@pytest.mark.parametrize("head", ["drain low", "level rule low", "rle low", "rule (low", "low"])
def test_a_rule_whose_head_is_broken_is_not_missed_where_it_is_named(head: str) -> None:
    text = f"""\
{head} on lipo packs when pack.soc < 30: chore "charge {{pack}}"
rule lower over low when pack.soc < 20: notify "{{pack}} is low"
scenario "by name"
    given pack heron at 25 %
    after 1 h: expect heron chore by low
"""
    found = load({"a.care": text}, catalogue=CATALOGUE).diagnostics
    assert [one.span.line for one in found] == [1] * len(found)
    assert 1 <= len(found) <= 1 + FOLLOW_MAX


def test_a_slip_is_where_it_says() -> None:
    text = "let full = 95 %\nwhen pack.soc > full: drain to 80\n"
    for seed in range(50):
        slip = slipped(text, Random(seed))
        rows, slips = text.split("\n"), slip.text.split("\n")
        differ = [line for line in (1, 2) if rows[line - 1].split() != slips[line - 1].split()]
        assert set(differ) <= set(range(slip.first, slip.last + 1))

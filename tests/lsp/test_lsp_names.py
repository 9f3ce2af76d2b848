"""Where a name is given, where else it stands, and another name for it."""

from __future__ import annotations

from typing import get_args

import pytest
from features_kit import MAIN, RULES, SITE, applied, put, seen

from carerules.lang.names import NameKind
from carerules.lsp.features import (
    SITE_FILE,
    Refused,
    definition,
    highlights,
    references,
    renamable,
    rename,
)
from carerules.lsp.features.names import _WHOSE
from carerules.lsp.text import Position


def places(text: str, mark: str, *, after: int = 0) -> list[tuple[str, int, int]]:
    sight = seen(text, RULES)
    found = definition(sight, put(sight, text.index(mark) + after))
    return [(one.file, one.range.start.line, one.range.start.character) for one in found]


@pytest.mark.parametrize(
    ("mark", "where"),
    [
        ("low\nlet", [("main.care", 1, 4)]),
        ("boats packs", [("main.care", 2, 6)]),
        ("full-too-long", [("shared.care", 1, 5)]),
        ("shared.care", [("shared.care", 0, 0)]),
        ("top = 97", [("shared.care", 0, 4)]),
        ("boat\n", []),
        ("pack.soc", []),
    ],
)
def test_where_a_name_is_given(mark: str, where: list[tuple[str, int, int]]) -> None:
    assert places(MAIN, mark) == where


def test_packs_and_signals_of_the_site_are_given_in_its_file() -> None:
    text = "rule a on pack egret when site.meter > 5 Wh: retire"
    line = SITE[: SITE.index("[pack.egret]")].count("\n")
    assert places(text, "egret") == [(SITE_FILE, line, 6)]
    assert places(text, "site.meter", after=6)[0][0] == SITE_FILE


def test_a_pack_of_a_scenario_is_given_there() -> None:
    text = RULES["shared.care"]
    sight = seen(text)
    (place,) = definition(sight, put(sight, text.index("heron drain")))
    assert (place.file, place.range.start) == ("main.care", Position(3, 15))


def test_why_a_name_has_no_other_is_known_of_each_kind_that_no_statement_gives() -> None:
    """Of a kind of name more, too: what is left out would be said to be given by nothing."""
    given = {"let", "setting", "group", "rule", "scenario", "event"}
    assert set(get_args(NameKind)) - given == set(_WHOSE)


def test_references_are_those_of_the_same_thing() -> None:
    text = 'let a = 5 %\nrule a when pack.soc > a for 1 h: drain to a\nrule b over a when ' \
           "pack.soc > 9 for 1 d: retire\n"  # fmt: skip
    sight = seen(text)

    def rows(mark: str, **more: bool) -> list[tuple[int, int]]:
        found = references(sight, put(sight, text.index(mark)), **more)
        return [(one.range.start.line, one.range.start.character) for one in found]

    assert rows("a = 5") == [(0, 4), (1, 23), (1, 43)]
    assert rows("a when") == [(1, 5), (2, 12)]
    assert rows("a when", with_definition=False) == [(2, 12)]


def test_highlights_are_the_same_thing_in_this_file_and_tell_where_it_is_given() -> None:
    """Told by hand off the text: a rule and a `let` are both called `a`."""
    text = "let a = 5 %\nrule a when pack.soc > a for 1 h: drain to a\nrule b over a when " \
           "pack.soc > 9 for 1 d: retire\n"  # fmt: skip
    sight = seen(text)

    def lit(mark: str) -> list[tuple[int, int, bool]]:
        found = highlights(sight, put(sight, text.index(mark)))
        return [(one.range.start.line, one.range.start.character, one.gives) for one in found]

    assert lit("a = 5") == lit("a for") == [(0, 4, True), (1, 23, False), (1, 43, False)]
    assert lit("a when") == [(1, 5, True), (2, 12, False)]
    assert lit("for 1 h") == []


def test_of_a_name_that_another_file_gives_only_the_places_here_are_lit() -> None:
    sight = seen(MAIN, RULES)
    found = highlights(sight, put(sight, MAIN.index("full-too-long")))
    line = MAIN[: MAIN.index("full-too-long")].count("\n")
    assert [(one.range.start.line, one.gives) for one in found] == [(line, False)]
    assert len(references(sight, put(sight, MAIN.index("full-too-long")))) == 3


def renamed(text: str, mark: str, name: str, **more: object) -> dict[str, str] | str:
    sight = seen(text, RULES, **more)  # type: ignore[arg-type]
    at = put(sight, text.index(mark))
    found = rename(sight, at, name)
    if isinstance(found, Refused):
        return found.why
    assert found is not None
    return {file: applied(sight.document_of(file), edits) for file, edits in found.items()}


def test_a_let_is_renamed_where_it_is_used() -> None:
    text = "let low = 40 %  # \U0001f50b low\nrule low when pack.soc > low for 1 h: drain to low\n"
    assert renamed(text, "low = ", "lowest") == {
        "main.care": "let lowest = 40 %  # \U0001f50b low\n"
        "rule low when pack.soc > lowest for 1 h: drain to lowest\n"
    }


def test_a_rule_is_renamed_in_every_file() -> None:
    text = 'use "shared.care"\nrule keep over full-too-long when pack.soc > 90: drain to 50\n'
    got = renamed(text, "full-too-long", "brim-full")
    assert isinstance(got, dict)
    assert got["main.care"] == text.replace("full-too-long", "brim-full")
    assert got["shared.care"] == RULES["shared.care"].replace("full-too-long", "brim-full")


def test_a_let_of_another_file_is_renamed_from_its_setting() -> None:
    text = 'use "shared.care" with top = 97 %\n'
    assert renamed(text, "top", "brim") == {
        "main.care": text.replace("top", "brim"),
        "shared.care": RULES["shared.care"].replace("top", "brim"),
    }


SCENES = """scenario "{}"
    given pack wren at 60 %
    at Sat 18:00: expect nothing of wren
"""


def test_a_group_and_a_pack_of_a_scenario_are_renamed() -> None:
    text = "group four: packs where cells = 4\nrule a on four packs when pack.soc > 9: retire\n"
    text += "".join(SCENES.format(name) for name in "ab")
    got = renamed(text, "four packs", "small")
    assert got == {"main.care": text.replace("four", "small")}
    got = renamed(text, "wren", "robin")
    first, sign, second = text.partition('scenario "b"')
    assert got == {"main.care": first.replace("wren", "robin") + sign + second}


@pytest.mark.parametrize(
    ("text", "mark", "name", "why"),
    [
        ("let a = 5 %\nwhen pack.soc > a: retire", "a =", "when", "a word of the language"),
        ("let a = 5 %\nwhen pack.soc > a: retire", "a =", "b c", "is no name"),
        ("let a = 5 %\nwhen pack.soc > a: retire", "a =", "", "is no name"),
        ("let a = 5 %\nlet b = 6 %\nwhen pack.soc between a and b: retire", "a =", "b",
         "would not hold together"),
        ("rule a when pack.soc > 5: retire\nrule b when pack.soc > 5: retire", "a when", "b",
         "would not hold together"),
        ("rule a on pack heron when pack.soc > 5: retire", "heron", "egret", "the site file"),
        ("rule a on lipo packs when pack.soc > 5: retire", "lipo", "x", "the site file"),
        ("when pack.soc > 5: retire", "pack.soc", "x", "fixed names"),
        ("when pack.soc > 5: mark done", "done", "over-with", "would begin anew"),
        ("rule a over full-too-long when pack.soc > 5: retire", "full-too-long", "x",
         "nothing here gives"),
        ('use "shared.care"\nrule a over full-too-long when pack.soc > 5: retire\nwhen when',
         "full-too-long", "x", "line 3 of `main.care` cannot be read"),
    ],
)  # fmt: skip
def test_a_name_that_stays(text: str, mark: str, name: str, why: str) -> None:
    got = renamed(text, mark, name)
    assert isinstance(got, str), got
    assert why in got


def test_what_ships_is_not_renamed() -> None:
    text = 'use "shared.care"\nrule a over full-too-long when pack.soc > 90: drain to 50'
    got = renamed(text, "full-too-long", "x", fixed=frozenset({"shared.care"}))
    assert got == "`full-too-long` is given in `shared.care`, which ships as it is"


def test_nothing_is_renamed_where_no_name_stands() -> None:
    sight = seen("when pack.soc > 5: retire")
    assert renamable(sight, Position(0, 1)) is None
    assert rename(sight, Position(0, 1), "x") is None

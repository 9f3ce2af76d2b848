"""The grammar itself: no conflict, no collision, and every word of it is reserved."""

import interegular
import pytest
from lang_kit import codes_of
from lark import Lark
from lark.exceptions import LexError

from carerules.lang.build import Builder
from carerules.lang.words import GRAMMAR, KEYWORDS


def test_the_grammar_builds_without_conflict_or_collision() -> None:
    assert interegular.__name__ == "interegular"  # without it `strict` looks at less
    Lark(GRAMMAR, parser="lalr", lexer="contextual", strict=True)


def test_strict_would_find_a_collision() -> None:
    spoilt = GRAMMAR.replace("window: CLOCK DASH CLOCK", "window: CLOCK DASH (CLOCK | HOUR)")
    spoilt += "\nHOUR.2: /\\d\\d:\\d\\d/\n"
    with pytest.raises(LexError, match="HOUR"):
        Lark(spoilt, parser="lalr", lexer="contextual", strict=True)


def test_every_alternative_has_its_method() -> None:
    grammar = Lark(GRAMMAR, parser="lalr", lexer="contextual")
    names = {str(rule.alias or rule.origin.name) for rule in grammar.rules}
    # Names with an underscore in front, and helpers of `*` and `+`, fold into their parents;
    # those with `?` stand for their one child.
    inlined = {"start", "condition", "conjunction", "negation", "held", "atom", "value", "amount",
               "filter", "filter_and", "filter_not", "filter_atom", "step"}  # fmt: skip
    wanted = {name for name in names if not name.startswith("_")} - inlined
    assert {name for name in vars(Builder) if not name.startswith("_")} == wanted


def test_every_word_of_the_language_is_reserved() -> None:
    assert len(KEYWORDS) > 70
    for word in sorted(KEYWORDS):
        found = codes_of(f"rule {word} when pack.soc > 95: drain to 80")
        assert found == ["reserved-word"], word


def test_a_word_may_begin_with_a_word_of_the_language() -> None:
    for name in (
        "when-full",
        "forest",
        "android",
        "incline",
        "today",
        "a",
        "packs2",
        "during_night",
    ):
        assert codes_of(f"rule {name} when pack.soc > 95: drain to 80") == []
        assert codes_of(f"let {name} = 95 %\nwhen pack.soc > {name}: drain to 80") == []

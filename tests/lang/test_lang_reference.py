"""The rows of the manual: each example is read, and nothing of the language is left out."""

import re

import pytest
from lang_kit import NAMES
from lark import Lark

from carerules.domain.action import ACTIONS, Action
from carerules.domain.condition import PERSON_EVENTS
from carerules.domain.quantity import ENERGY, UNITS, WARMTH
from carerules.domain.signal import Signal, catalogue
from carerules.lang import KEYWORDS, load
from carerules.lang.build import Builder
from carerules.lang.reference import Entry, reference
from carerules.lang.tables import WholeWords
from carerules.lang.words import GRAMMAR, SOFT
from carerules.shipped import shipped

SIGNALS = catalogue([Signal("site.meter", ENERGY, None, 0, 1_000_000, "meter")])
LIPO = (shipped("rules") / "lipo.care").read_text(encoding="utf-8")
ROWS = reference()


def _forms(kind: str) -> list[str]:
    return [row.form for row in ROWS if row.kind == kind]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.kind} {row.form[:40]}")
def test_the_example_is_read_without_a_word(row: Entry) -> None:
    got = load({"a.care": row.example}, catalogue=SIGNALS, names=NAMES, fetch={"lipo": LIPO}.get)
    assert got.diagnostics == ()
    assert got.plan is not None
    assert got.plan.rules or got.plan.nevers
    told = [one for one in got.scenarios if one.span.file == "a.care"]
    assert len(told) == row.example.count("scenario ")


def test_every_reserved_word_has_its_row_and_stands_in_its_example() -> None:
    rows = [row for row in ROWS if row.kind == "keyword"]
    assert [row.form for row in rows] == sorted(KEYWORDS)
    for row in rows:
        assert re.search(rf"(?<![\w.-]){row.form}(?![\w.-])", row.example), row.form


def test_the_reserved_words_are_those_of_the_grammar() -> None:
    terminals = Lark(GRAMMAR, parser="lalr", lexer="contextual").terminals
    words = {t.pattern.value for t in terminals
             if t.pattern.type == "str" and t.pattern.value.isalpha()}  # fmt: skip
    assert words == KEYWORDS | SOFT
    assert {t.name.lower() for t in terminals if t.pattern.value in words} == words


def test_every_action_has_its_row_and_is_done_in_its_example() -> None:
    rows = [row for row in ROWS if row.kind == "action"]
    assert [row.form for row in rows] == [row.form for row in ACTIONS.values()]
    for row, kind in zip(rows, ACTIONS, strict=True):
        assert kind in {type(action) for action in _actions(row)}


def _actions(row: Entry) -> tuple[Action, ...]:
    plan = load({"a.care": row.example}, catalogue=SIGNALS, names=NAMES).plan
    assert plan is not None
    return plan.rules[0].actions


def test_every_unit_and_event_has_its_row() -> None:
    written = [symbol for symbol, unit in UNITS.items() if unit.dimension != WARMTH]
    assert _forms("unit") == [*written, "UNIT/TIME"]
    assert _forms("event") == list(PERSON_EVENTS)


def test_no_form_stands_twice() -> None:
    for kind in {row.kind for row in ROWS}:
        assert len(_forms(kind)) == len(set(_forms(kind)))


def test_every_alternative_of_the_grammar_is_in_some_example(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    alternatives = {name for name in vars(Builder) if not name.startswith("_")}
    seen: set[str] = set()

    class Watched(Builder):
        def __getattribute__(self, name: str) -> object:
            found = super().__getattribute__(name)
            if name not in alternatives:
                return found
            return lambda children: (seen.add(name), found(children))[1]

    watched = Lark(
        GRAMMAR, parser="lalr", lexer="contextual", maybe_placeholders=False,
        transformer=Watched(), postlex=WholeWords(),
    )  # fmt: skip
    monkeypatch.setattr("carerules.lang.parse.grammar", lambda: watched)
    for row in ROWS:
        load({"a.care": row.example}, catalogue=SIGNALS, names=NAMES, fetch={"lipo": LIPO}.get)
    assert seen == alternatives

"""The parser's tables beside the grammar: they are of this grammar, and read as it does."""

import json

import pytest
from lang_kit import HERE, Loaded, loaded
from lark import Lark
from make_tables import TABLES

from carerules.lang import parse, tables
from carerules.lang.build import Builder
from carerules.lang.words import GRAMMAR


def built() -> Lark:
    ours = {"transformer": Builder(), "postlex": tables.WholeWords()}
    return Lark(GRAMMAR, **tables.OPTIONS, **ours)


def test_the_tables_are_those_of_this_grammar() -> None:
    told = json.loads(TABLES.read_text(encoding="utf-8"))["fingerprint"]
    version = told.split()[0]
    assert told == tables.fingerprint(version), "run python tests/lang/make_tables.py"


def test_tables_and_grammar_read_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    files = sorted(path for folder in ("right", "wrong") for path in (HERE / folder).glob("*.care"))
    texts = [text for path in files for text in path.read_text(encoding="utf-8").split("----\n")]
    assert len(texts) > 300
    by_tables = [_said(loaded(text)) for text in texts]
    anew = built()
    monkeypatch.setattr(parse, "grammar", lambda: anew)
    assert [_said(loaded(text)) for text in texts] == by_tables


def _said(got: Loaded) -> tuple[object, ...]:
    return got.plan, got.scenarios, got.diagnostics


def test_tables_of_another_version_are_not_used(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tables, "__version__", "0.0")
    made: list[str] = []

    def watched(grammar: str, **options: object) -> Lark:
        made.append(grammar)
        return Lark(grammar, **options)

    monkeypatch.setattr(tables, "Lark", watched)
    assert tables.grammar.__wrapped__().parse is not None
    assert made == [GRAMMAR]

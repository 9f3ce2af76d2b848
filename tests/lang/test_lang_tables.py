"""The parser's tables beside the grammar: they are of this grammar, and read as it does.

Against something outside: the library that made them builds a parser of its own from the grammar,
and reads the same texts with it, word by word.
"""

import json
import subprocess
import sys
from collections.abc import Iterator
from copy import copy
from typing import Any

import pytest
from lang_kit import HERE, Loaded, loaded
from lark import Lark
from lark.exceptions import UnexpectedCharacters, UnexpectedInput, UnexpectedToken
from make_tables import TABLES

from carerules.domain.diagnostic import Span
from carerules.lang import parse, tables
from carerules.lang.automaton import Parser, StrangeError, Token, UnfitError
from carerules.lang.build import Builder
from carerules.lang.syntax import Word
from carerules.lang.words import GRAMMAR


class WholeWords:
    """What the library asks for what may always come."""

    always_accept = tables.ALWAYS

    @staticmethod
    def process(tokens: Iterator[object]) -> Iterator[object]:
        return tokens


def built() -> Lark:
    return Lark(GRAMMAR, **tables.OPTIONS, transformer=Builder(), postlex=WholeWords())


class Theirs:
    """The library's parser, asked as ours is."""

    def __init__(self, lark: Lark) -> None:
        self._lark, self._at = lark, lark.parse_interactive("")

    def tokens(self, text: str) -> Iterator[Token]:
        self._at = self._lark.parse_interactive(text)
        while True:
            try:
                for token in self._at.lexer_thread.lex(self._at.parser_state):
                    yield _token(token)
                return
            except UnexpectedToken as error:
                yield _token(error.token)
            except UnexpectedCharacters as error:
                raise StrangeError(error.pos_in_stream, error.line, error.column) from None

    def feed(self, word: Any) -> Any:
        try:
            return self._at.feed_token(word)
        except UnexpectedInput:
            raise UnfitError(word.type) from None

    def fits(self, types: tuple[str, ...]) -> bool:
        trial = self._at.copy(deepcopy_values=False)
        trial.parser_state.parse_conf = copy(trial.parser_state.parse_conf)
        trial.parser_state.parse_conf.callbacks = {}
        try:
            for kind in types:
                trial.feed_token(Word(kind, "", None))
        except UnexpectedInput:
            return False
        return True

    def accepts(self) -> set[str]:
        return self._at.accepts()


def _token(one: Any) -> Token:
    return Token(one.type, str(one), one.start_pos, one.line, one.column, one.end_line,
                 one.end_column)  # fmt: skip


def test_the_tables_are_those_of_this_grammar() -> None:
    told = json.loads(TABLES.read_text(encoding="utf-8"))["fingerprint"]
    version = told.split()[0]
    assert told == tables.fingerprint(version), "run python tests/lang/make_tables.py"


def test_tables_and_grammar_read_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    files = sorted(path for folder in ("right", "wrong") for path in (HERE / folder).glob("*.care"))
    texts = [text for path in files for text in path.read_text(encoding="utf-8").split("----\n")]
    assert len(texts) > 300
    by_tables = [_said(loaded(text)) for text in texts]
    anew, read = built(), []
    monkeypatch.setattr(parse, "Parser", lambda _: read.append(1) or Theirs(anew))
    assert [_said(loaded(text)) for text in texts] == by_tables
    assert len(read) > 400, "statements"


def test_each_word_and_each_refusal_is_theirs() -> None:
    """Word by word, also where the parser is asked what would fit."""
    anew, words = built(), 0
    for path in sorted([*HERE.glob("*/*.care"), HERE / "natural.txt"]):
        for text in path.read_text(encoding="utf-8").split("\n"):
            ours, theirs = Parser(tables.grammar()), Theirs(anew)
            for one, other in zip(_fed(ours, text), _fed(theirs, text), strict=True):
                assert one == other
                words += 1
    assert words > 2_000


def _fed(parser: Any, text: str) -> Iterator[object]:
    """Each word, whether it fits, and what else would have, up to the first that does not."""
    try:
        for token in parser.tokens(text):
            after = [parser.fits((token.type, kind)) for kind in ("NAME", "FIGURE", "_NL", "$END")]
            yield token, parser.accepts(), after
            parser.feed(Word(token.type, token.text, Span("a", 1, 1, 1, 1)))
    except (StrangeError, UnfitError) as error:
        yield type(error), error.args


def _said(got: Loaded) -> tuple[object, ...]:
    return got.plan, got.scenarios, got.diagnostics


def test_reading_rules_loads_no_library() -> None:
    """It would lie in the memory of each service for good."""
    program = (
        "import sys; from carerules.lang import load; "
        "load({'a.care': 'when pack.soc >= 95 % for 24 h: drain to 80 %'}, catalogue={}); "
        "print('carerules.lang.parse' in sys.modules, 'lark' in sys.modules)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert ran.stdout.split() == ["True", "False"]

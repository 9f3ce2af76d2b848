"""From a statement's text to its syntax tree, going on after a slip where the meaning is plain.

Knows the parser library, and is the only module that does. Does not know any name or unit.
"""

from __future__ import annotations

from collections.abc import Iterator
from copy import copy
from typing import Any, cast

from lark import Token, UnexpectedCharacters, UnexpectedInput, UnexpectedToken

from carerules.domain.diagnostic import Mend, Span
from carerules.domain.quantity import unit_named
from carerules.lang import hints, slips
from carerules.lang.findings import Findings
from carerules.lang.limits import NESTING_MAX, WORDS_MAX
from carerules.lang.phrases import phrase_at
from carerules.lang.scan import Item
from carerules.lang.statements import StatementNode
from carerules.lang.syntax import Word
from carerules.lang.tables import grammar
from carerules.lang.words import keywords


def _is_keyword(word: Word) -> bool:
    return word.type == "NAME" and word.text.islower() and word.text.upper() in keywords()


def parse(item: Item, findings: Findings) -> StatementNode | None:
    """The statement's tree; None if it has a slip that no guess gets over."""
    return _Reading(item, findings).result()


def words_before(item: Item) -> tuple[set[str], list[Word]]:
    """The terminals that fit in the place of the statement's last word, and the words before it.

    Both are empty where the statement has a slip before that no guess gets over.
    """
    reading = _Reading(item, Findings())
    end = len(item.text)
    try:
        for token in reading.tokens():
            if token.end_pos == end and token.type != "_NL":
                return reading.wanted(), reading.taken
            reading.take(token)
    except _StopError:
        pass
    return set(), []


_BEFORE_NO_EVENT = frozenset({"COLON", "COMMA", "GIVEN", "EXPECT", "_NL", "_INDENT", "_DEDENT"})
"""Behind these a name would be a pack's or a rule's, and none of those is a word of ours."""


class _StopError(Exception):
    """The rest of the statement cannot be read; why is among the findings."""


class _Reading:
    """One statement on its way through the parser."""

    def __init__(self, item: Item, findings: Findings) -> None:
        self.item, self.findings = item, findings
        self.text = item.text
        self.parser = grammar().parse_interactive(self.text)
        self.trial = copy(self.parser.parser_state.parse_conf)
        self.trial.callbacks = {}
        self.lexer = cast(Any, self.parser.lexer_thread)  # not annotated in the library
        self.before: Word | None = None  # the last word of the author's that was taken
        self.last_type = ""
        self.margins = [0]
        self.misplaced: set[tuple[str, int]] = set()  # what was told, and of which margin
        self.open: list[Word] = []  # parentheses
        self.taken: list[Word] = []
        self.nots = 0
        self.unsure: Span | None = None  # where the last guess was, if another would do as well

    def result(self) -> StatementNode | None:
        try:
            for token in self.tokens():
                self.take(token)
            return self._end()
        except _StopError:
            return None

    # ---- words -------------------------------------------------------------------------------

    def tokens(self) -> Iterator[Token]:
        """The lexer's tokens; one that no state wants here is handed over all the same."""
        while True:
            try:
                yield from self.lexer.lex(self.parser.parser_state)
                return
            except UnexpectedToken as error:
                yield error.token
            except UnexpectedCharacters as error:
                at = self._span(error.line, error.column, error.line, error.column + 1)
                self._say_phrase(at)
                place = error.pos_in_stream or 0
                rest = self.text[place + 1 :].partition("\n")[0]
                hints.strange(self.text[place], rest, at, self.findings)
                raise _StopError from None

    def _span(self, line: int, column: int, end_line: int, end_column: int) -> Span:
        first = self.item.line - 1
        return Span(self.item.file, line + first, column, end_line + first, end_column)

    def take(self, token: Token) -> None:
        span = self._span(
            token.line or 1, token.column or 1, token.end_line or 1, token.end_column or 1
        )
        if token.type == "_NL":
            self._line_end(str(token), span)
            return
        if len(self.taken) >= WORDS_MAX:
            self.findings.add(
                "too-many", f"a statement has at most {WORDS_MAX} words", span,
                Mend("make several rules of it"),
            )  # fmt: skip
            raise _StopError
        word = Word(token.type, str(token), span)
        if word.text == "=>" and not self._fits(("OP",)):
            self._say_phrase(span)  # an arrow, and no comparison
        word = slips.written_here(word, self.findings, glued=self._glued(token))
        if _is_keyword(word) and not self._is_name(word):
            word = Word(word.text.upper(), word.text, span)
        self._depth(word)
        if word.type == "NAME" and self.last_type == "FIGURE" and unit_named(word.text) is None:
            # In the place of a unit, and none: perhaps the next word of the sentence, misspelt.
            if word.text.upper() in keywords():
                word = Word(word.text.upper(), word.text, span)
            self._say_phrase(word.span)
            wanted = self.wanted() - {"NAME"}
            if self._guess(word, wanted):
                return
        self._feed(word)

    def _is_name(self, word: Word) -> bool:
        """Whether a word of the language stands for an event here, say, that is called so."""
        keyword = word.text.upper()
        if self.last_type in _BEFORE_NO_EVENT or not self._fits(("NAME",)):
            return False
        if self._fits((keyword,)) or not self._fits(("FIGURE", keyword)):
            return True
        # No `let` is called so: a number has been left out, and the sentence goes on.
        self._feed(slips.no_number(word, self.findings))
        self.unsure = word.span
        return False

    def _glued(self, token: Token) -> tuple[bool, bool]:
        """Whether no blank stands before the token, and whether none stands behind it."""
        start, stop = token.start_pos or 0, token.end_pos or 0
        before, behind = self.text[max(0, start - 1) : start], self.text[stop : stop + 1]
        return bool(before.strip()), bool(behind.strip())

    def _depth(self, word: Word) -> None:
        if word.type == "LPAR":
            self.open.append(word)
        elif word.type == "RPAR" and self.open:
            self.open.pop()
        self.nots = self.nots + 1 if word.type in ("NOT", "BANG") else 0
        if len(self.open) + self.nots > NESTING_MAX:
            self.findings.add(
                "too-deep", f"parentheses and `not` go at most {NESTING_MAX} deep", word.span,
                Mend("make several rules of it"),
            )  # fmt: skip
            raise _StopError

    def _feed(self, word: Word) -> None:
        try:
            self._push(word)
        except UnexpectedInput:
            self._say_phrase(word.span)
            wanted = self.wanted()
            if not self._guess(word, wanted):
                if self.open and word.type in ("$END", "_NL", "_DEDENT"):
                    self.findings.add(
                        "unexpected", "this parenthesis is never closed", self.open[-1].span,
                        Mend("close it with `)`"),
                    )  # fmt: skip
                else:
                    self._unexpected(word, wanted)
                raise _StopError from None

    def _say_phrase(self, at: Span) -> None:
        """Stop at a turn of speech that is written otherwise here, and say how."""
        row = self.item.rows[at.line - self.item.line]
        acting = any(word.type == "COLON" for word in self.taken)
        turn = None if self._story() else phrase_at(row, at.column - 1, acting=acting)
        if turn is not None:
            where = Span(at.file, at.line, turn.start + 1, at.line, turn.end + 1)
            found = (
                f"found `{row[turn.start : turn.end].strip()[:60]}`, which is said otherwise here"
            )
            self.findings.add("unknown-word", found, where, Mend(turn.say, turn.write))
            raise _StopError

    def _unexpected(self, word: Word, wanted: set[str]) -> None:
        hints.unexpected(word, wanted, self.before, self.findings, story=self._story())

    def _story(self) -> bool:
        return self.item.rows[0].lstrip().startswith("scenario")

    def _guess(self, word: Word, wanted: set[str]) -> bool:
        astray = self.unsure in [taken.span for taken in self.taken[-3:]]
        guess = slips.guess(word, wanted, self.before, self._fits, self.findings, astray=astray)
        if guess is None:
            return False
        self.unsure = guess.unsure or self.unsure
        for instead in guess.words:
            if instead.type == "_NL":
                self._line_end(instead.text, instead.span)
            else:
                self._feed(instead)
        return True

    def _fits(self, types: tuple[str, ...]) -> bool:
        """Whether the parser would take words of these types, one after the other."""
        trial = cast(Any, self.parser).copy(deepcopy_values=False)
        # Nothing is built: the lists of what stands in a row would be those of the parser itself.
        trial.parser_state.parse_conf = self.trial
        nowhere = self._span(1, 1, 1, 1)
        try:
            for kind in types:
                trial.feed_token(Word(kind, "", nowhere))
        except UnexpectedInput:
            return False
        return True

    def wanted(self) -> set[str]:
        """The terminals that the parser would take now."""
        wanted: set[str] = cast(Any, self.parser).accepts()
        return wanted

    def _push(self, word: Word) -> object:
        taken = self.parser.feed_token(cast(Token, word))
        self.last_type = word.type
        if not word.type.startswith("_"):
            self.before = word
            self.taken.append(word)
        return taken

    # ---- lines -------------------------------------------------------------------------------

    def _line_end(self, text: str, span: Span) -> None:
        """A line is over: what the next one's margin means."""
        if self.open or self.last_type in ("", "_NL"):
            return
        rows = self.item.rows
        at_end = span.end_line - self.item.line + 1 == len(rows) and (
            span.end_column > len(rows[-1])
        )
        self._feed(Word("_NL", text, span))
        if not at_end:
            self._margin(span.end_column - 1, span)

    def _margin(self, width: int, span: Span) -> None:
        margins = self.margins
        here = Span(span.file, span.end_line, 1, span.end_line, max(2, width + 1))
        opens = self._fits(("_INDENT",))
        if span.end_line in self.item.pulled:
            width = margins[-1] + 1 if opens else margins[-1]
        if width > margins[-1]:
            if opens:
                margins.append(width)
                self._feed(Word("_INDENT", "", here))
                return
            if len(margins) == 1:  # the statement is complete
                self._misplaced("the statement above is complete, and nothing belongs below it",
                                here, "put every action below `when`, or none")  # fmt: skip
                raise _StopError
            self._misplaced("this line is indented further than the one above", here)
            return
        if width not in margins:
            self._misplaced("this line lines up with none above", here)
            width = min(margin for margin in margins if margin > width)
        while width < margins[-1]:
            margins.pop()
            self._feed(Word("_DEDENT", "", here))

    def _misplaced(
        self, message: str, here: Span,
        mend: str = "let it begin in the same column as the line that it belongs with",
    ) -> None:  # fmt: skip
        told = message, here.end_column
        if not self.item.tabbed and told not in self.misplaced:  # the rest stands as the first did
            self.findings.add("indentation", message, here, Mend(mend))
        self.misplaced.add(told)

    def _end(self) -> StatementNode | None:
        last = self.before.span if self.before is not None else self._span(1, 1, 1, 1)
        end = Span(last.file, last.end_line, last.end_column, last.end_line, last.end_column + 1)
        if self.last_type != "_NL":
            self._feed(Word("_NL", "", end))
        while len(self.margins) > 1:
            self.margins.pop()
            self._feed(Word("_DEDENT", "", end))
        try:
            return cast(StatementNode, self._push(Word("$END", "", end)))
        except UnexpectedInput:
            self._unexpected(Word("$END", "", end), self.wanted())
            return None

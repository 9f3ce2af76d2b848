"""The parser at work: a text's words by and by, and what they come to, from the grammar's tables.

Knows LALR(1) tables (Aho, Lam, Sethi, Ullman: Compilers, 2nd edition, 4.6 and 4.7). Does not know
where they come from, nor what any word means. The library that makes the tables could read with
them, too; it is imported at each start, however, and lies in a service's memory (1.2 MB) for good.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from typing import Any, NamedTuple, Protocol, TypeAlias

from carerules.domain.frozen import guarded

END = "$END"
"""What stands behind the last word."""


class Taken(Protocol):
    """What the parser takes: anything that names its terminal."""

    @property
    def type(self) -> str:
        """The terminal's name."""


class Token(NamedTuple):
    """A piece of the text: its terminal, its spelling, its place; lines and columns from 1."""

    type: str
    text: str
    start: int
    line: int
    column: int
    end_line: int
    end_column: int

    @property
    def stop(self) -> int:
        """The place in the text where it ends."""
        return self.start + len(self.text)


class UnfitError(Exception):
    """The terminal does not fit here."""


class StrangeError(Exception):
    """Nothing of the language begins here."""

    def __init__(self, at: int, line: int, column: int) -> None:
        super().__init__(at, line, column)
        self.at, self.line, self.column = at, line, column


@guarded
class Rule:
    """One alternative: what it is of, how many it takes, what is made of them."""

    origin: str
    size: int
    build: Callable[[list[Any]], Any]


States: TypeAlias = Mapping[int, Mapping[str, int | Rule]]
"""Of each state: with which terminal one goes on to which state, or which rule is complete."""


@guarded
class Terminal:
    """`word`: the pattern is the spelling itself, and gives way to patterns that match it whole.

    A higher number of `priority` is tried first.
    """

    name: str
    pattern: str
    priority: int
    width_max: int
    word: bool


# ---- words -----------------------------------------------------------------------------------


class _Scanner:
    """One pattern for all the terminals that may come; the longer and dearer first."""

    def __init__(self, terminals: Collection[Terminal]) -> None:
        # Of a word that a pattern matches whole, the pattern is tried, and the word recognised.
        patterns = [one for one in terminals if not one.word]
        words = [one for one in terminals if one.word]
        self._words: dict[str, dict[str, str]] = {}
        for pattern in patterns:
            alike = {
                word.pattern: word.name for word in words
                if word.priority == pattern.priority and re.fullmatch(pattern.pattern, word.pattern)
            }  # fmt: skip
            if alike:
                self._words[pattern.name] = alike
        within = {text for alike in self._words.values() for text in alike}
        tried = sorted(
            (one for one in terminals if not (one.word and one.pattern in within)),
            key=lambda one: (-one.priority, -one.width_max, -len(one.pattern), one.name),
        )
        spelt = ((one.name, re.escape(one.pattern) if one.word else one.pattern) for one in tried)
        self._match = re.compile("|".join(f"(?P<{name}>{text})" for name, text in spelt)).match

    def at(self, text: str, start: int) -> tuple[str, str] | None:
        """The terminal and the spelling of what begins there."""
        match = self._match(text, start)
        if match is None:
            return None
        kind, found = str(match.lastgroup), match.group()
        return self._words.get(kind, {}).get(found, kind), found


class Words:
    """Cuts a text into words: of those that may come next, or, where none of them does, of all."""

    def __init__(
        self, terminals: Sequence[Terminal], ignored: Collection[str], always: Collection[str],
        states: States,
    ) -> None:  # fmt: skip
        self._terminals, self._states = {one.name: one for one in terminals}, states
        self._ignored, self._always = frozenset(ignored), frozenset(always)
        self._scanners: dict[frozenset[str], _Scanner] = {}

    def of(self, text: str, state: Callable[[], int]) -> Iterator[Token]:
        """The words, each looked for when the one before has been taken, in the parser's `state`.

        One that fits nowhere here is given all the same. Raises `StrangeError`.
        """
        at, line, row = 0, 1, 0
        while at < len(text):
            found = self._scanner(frozenset(self._states[state()]) | self._always).at(text, at)
            found = found or self._scanner(frozenset(self._terminals)).at(text, at)
            if found is None:
                raise StrangeError(at, line, at - row + 1)
            kind, spelt = found
            start, first, column = at, line, at - row + 1
            at += len(spelt)
            if "\n" in spelt:
                line, row = line + spelt.count("\n"), start + spelt.rindex("\n") + 1
            if kind not in self._ignored:
                yield Token(kind, spelt, start, first, column, line, at - row + 1)

    def _scanner(self, names: frozenset[str]) -> _Scanner:
        made = self._scanners.get(names)
        if made is None:
            wanted = self._terminals.keys() & (names | self._ignored)
            made = _Scanner([self._terminals[name] for name in wanted])
            self._scanners[names] = made
        return made


# ---- sentences -------------------------------------------------------------------------------


@guarded
class Tables:
    """All that reading takes: the automaton, and its words."""

    states: States
    first: int
    last: int
    words: Words


class Parser:
    """One text on its way through the automaton."""

    def __init__(self, tables: Tables) -> None:
        self._tables = tables
        self._stack, self._values = [tables.first], list[Any]()

    def tokens(self, text: str) -> Iterator[Token]:
        """The words of a text, as `Words.of`, for as long as each is fed before the next."""
        return self._tables.words.of(text, lambda: self._stack[-1])

    def feed(self, word: Taken) -> Any:
        """Take a word; what the whole comes to, once it is `END`. Raises `UnfitError`, after which
        the rules that were complete before the word are."""
        states, stack, values = self._tables.states, self._stack, self._values
        while True:
            move = states[stack[-1]].get(word.type)
            if move is None:
                raise UnfitError(word.type)
            if not isinstance(move, Rule):
                stack.append(move)
                values.append(word)
                return None
            made = move.build(values[len(values) - move.size :])
            _reduce(states, stack, move)
            del values[len(values) - move.size :]
            values.append(made)
            if word.type == END and stack[-1] == self._tables.last:
                return made

    def fits(self, types: Collection[str]) -> bool:
        """Whether words of these terminals could be fed, one after the other."""
        states, stack = self._tables.states, list(self._stack)
        for kind in types:
            while True:
                move = states[stack[-1]].get(kind)
                if move is None:
                    return False
                if not isinstance(move, Rule):
                    stack.append(move)
                    break
                _reduce(states, stack, move)
                if kind == END and stack[-1] == self._tables.last:
                    break
        return True

    def accepts(self) -> set[str]:
        """The terminals that could be fed now."""
        return {kind for kind in self._tables.states[self._stack[-1]]
                if kind.isupper() and self.fits((kind,))}  # fmt: skip


def _reduce(states: States, stack: list[int], rule: Rule) -> None:
    del stack[len(stack) - rule.size :]
    after = states[stack[-1]][rule.origin]
    assert not isinstance(after, Rule), "a table that no grammar has"
    stack.append(after)

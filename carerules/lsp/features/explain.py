"""The form of the language that a word belongs to, by the words around it.

Knows the rows of the reference. Does not know the tree: a sentence that is being written has none.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from functools import cache

from carerules.domain.wording import DAY_NAMES
from carerules.lang import KEYWORDS
from carerules.lang.reference import Entry, reference

# A word of a rule file, or of a form of the reference: a text, a dotted name, a time, any sign.
_WORD = re.compile(r'"[^"]*"?|\d{1,2}:\d\d|[^\W\d][\w.-]*|\d+(?:\.\d+)?|>=|<=|!=|\S')

_IN_SCENARIO = frozenset({"scenario", "change", "expectation"})

# What may stand in the place of a word in capitals; whatever is not listed stands for anything.
_STANDS_FOR = {
    "SIGNAL": re.compile(r"[^\W\d]\w*\.[\w.-]+"),
    "VALUE": re.compile(r"[^\W\d][\w.-]*|\d.*|over|until|since"),
    "DAY": re.compile("|".join(DAY_NAMES)),
    "TIME": re.compile(r"\d{1,2}:\d\d"),
    "MOMENT": re.compile(r"\d{1,2}:\d\d|[A-Z][a-z]+"),
    "SELECTOR": re.compile(r"packs?|[^\W\d][\w-]*"),
    "CONDITION": re.compile(r"[^\W\d][\w.-]*|\("),
    "RULE": re.compile(r"[^\W\d][\w-]*"),
    "PACK": re.compile(r"[^\W\d][\w-]*"),
    "EVENT": re.compile(r"[^\W\d][\w-]*"),
}  # fmt: skip


@cache
def _forms() -> tuple[tuple[Entry, tuple[str, ...]], ...]:
    return tuple(
        (entry, tuple(words_of(re.sub(r"[][]", " ", entry.form)))) for entry in reference()
        if entry.kind not in ("keyword", "unit", "event")
    )  # fmt: skip


def words_of(row: str) -> list[str]:
    """The words and signs of a row, comments left out."""
    return [match[0] for match in _words(row)]


def _words(row: str) -> Iterable[re.Match[str]]:
    for match in _WORD.finditer(row):
        if match[0] == "#":
            return
        yield match


def form_at(row: str, column: int, *, scenario: bool) -> tuple[str, Entry] | None:
    """The keyword at a column (from 0) of a row, and the form that it belongs to."""
    found = list(_words(row))
    at = next((n for n, one in enumerate(found) if one.start() <= column <= one.end()
               and one[0] in KEYWORDS), None)  # fmt: skip
    if at is None:
        return None
    words = [one[0] for one in found]
    entry = form_of(words, at, scenario=scenario)
    return None if entry is None else (words[at], entry)


def form_of(words: Sequence[str], at: int, *, scenario: bool) -> Entry | None:
    """The form that fits best around a keyword; None: no form has it."""
    best: tuple[float, Entry] | None = None
    for entry, form in _forms():
        own = (entry.kind in _IN_SCENARIO) == scenario
        for place, word in enumerate(form):
            if word != words[at]:
                continue
            score = _around(words, at, form, place) + (1.0 if own else 0.0)
            if entry.kind == "filter" and not _in_filter(words, at):
                score -= 1.0
            # An action begins its line, or stands behind `:` or `;`.
            if entry.kind == "action" and place == 0 and (at == 0 or words[at - 1] in (":", ";")):
                score += 2.0
            if best is None or score > best[0]:
                best = score, entry
    return None if best is None else best[1]


def _in_filter(words: Sequence[str], at: int) -> bool:
    """Between `where` and the `when` or the end of the statement."""
    for word in reversed(words[:at]):
        if word in ("where", "when", "("):
            return word == "where"
    return False


def _around(words: Sequence[str], at: int, form: Sequence[str], place: int) -> float:
    """How well the words on both sides go with the form: a keyword counts more than a value."""
    score = 0.0
    for step in (-1, 1):
        for far in (1, 2):
            mine, theirs = at + step * far, place + step * far
            if not (0 <= mine < len(words) and 0 <= theirs < len(form)):
                score += 0.25 if not 0 <= theirs < len(form) else -0.25
                break
            fits = _fits(words[mine], form[theirs])
            score += fits / far
            if fits <= 0:
                break
    return score


def _fits(word: str, form: str) -> float:
    if word == form:
        return 1.5
    if not form.isupper():
        return -0.5
    pattern = _STANDS_FOR.get(form)
    if pattern is None:
        return 0.25
    return 0.75 if pattern.fullmatch(word) else -0.5

"""The colours of rule files for editors, as a TextMate grammar made from the language's own lists.

Knows words, units and signals, and the scope names that colour themes know. Does not know any tree:
an editor that asks the service has better, this is for every other one.
`python -m carerules.lsp.grammar integrations/editor/care.tmLanguage.json` makes the file anew; with
`--check` it only looks, and says so with its exit code.
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from carerules.adapters.remade import remade
from carerules.domain.quantity import SPELLINGS, UNITS
from carerules.domain.signal import catalogue
from carerules.domain.wording import DAY_NAMES
from carerules.lang import KEYWORDS
from carerules.lang.reference import reference

MADE_BY = "python -m carerules.lsp.grammar integrations/editor/care.tmLanguage.json"
SCOPE = "source.care"

_NAME = r"[^\W\d][\w-]*"
_APART = r"(?<![\w.-])"  # a name may hold dots and hyphens: no word of the language begins in one
_ENDS = r"(?![\w.-])"
_LOGICAL = frozenset({"and", "or", "not"})
_CONTROL_KINDS = frozenset({"statement", "ending"})
_CONTROL_WORDS = frozenset({"when", "given", "after", "expect"})


def grammar() -> dict[str, Any]:
    """The grammar. Every construct is within one line, as in the language itself."""
    repository = {
        "comment": _match("comment.line.number-sign", "#.*$"),
        "text": _text(),
        "given": _given(),
        "event": _match(
            "", rf"{_APART}(since|count|mark)\s+({_NAME}){_ENDS}",
            {"1": "keyword.other", "2": "constant.other.event"},
        ),
        "day": _match("constant.language.day", _word(_days())),
        "clock": _match("constant.numeric.clock", r"(?<![\w.])\d{1,2}:\d\d(?!\w)"),
        "number": _match(
            "", rf"(?<![\w.])([+\-−]?\d+(?:\.\d+)?)(?:[ \t]*({_unit()})(?![\w/]))?",
            {"1": "constant.numeric", "2": "keyword.other.unit"},
        ),
        "signal": _match("support.variable.signal", _word(catalogue())),
        "site-signal": _match("variable.other.signal", rf"{_APART}[^\W\d]\w*(?:\.\w[\w-]*)+"),
        **{kind: _match(scope, _word(words)) for kind, (scope, words) in _words().items()},
        "comparison": _match("keyword.operator.comparison", ">=|<=|!=|[<>=]"),
        "sign": _match("punctuation.separator", "[:;,]"),
        "name": _match("", rf"{_APART}{_NAME}"),
    }  # fmt: skip
    return {
        "information_for_contributors": [f"Made by `{MADE_BY}`: change that, not this."],
        "name": "care",
        "scopeName": SCOPE,
        "fileTypes": ["care"],
        "patterns": [{"include": f"#{part}"} for part in repository],
        "repository": repository,
    }


def _match(scope: str, pattern: str, captures: Mapping[str, str] | None = None) -> dict[str, Any]:
    found: dict[str, Any] = {"match": pattern}
    if scope:
        found["name"] = f"{scope}.care"
    if captures:
        found["captures"] = {number: {"name": f"{one}.care"} for number, one in captures.items()}
    return found


def _text() -> dict[str, Any]:
    """A text with its holes; one without its end is shown to be wrong as far as the line goes."""
    hole = _match("constant.other.placeholder", r"\{[^{}]*\}")
    return {
        "patterns": [
            _match("string.quoted.double", r'"[^"]*"') | {"captures": {"0": {"patterns": [hole]}}},
            _match("invalid.illegal.unclosed-text", r'".*$'),
        ]
    }


def _given() -> dict[str, Any]:
    """Names where they are given, and rules where they are named."""
    return {
        "patterns": [
            _match(
                "", rf"{_APART}({word})\s+({_NAME}){_ENDS}",
                {"1": f"keyword.{'other' if word == 'over' else 'control'}", "2": scope},
            )
            for word, scope in (
                ("rule", "entity.name.function.rule"), ("over", "entity.name.function.rule"),
                ("let", "variable.other.constant"), ("group", "entity.name.type.group"),
            )
        ]
    }  # fmt: skip


def _words() -> Mapping[str, tuple[str, frozenset[str]]]:
    """The words of the language by what they do: each in one of four lists."""
    entries = reference()
    actions = {entry.form.split()[0] for entry in entries if entry.kind == "action"}
    control = {
        word for entry in entries if entry.kind in _CONTROL_KINDS
        for word in re.findall(r"[a-z]+", entry.form)[:1]
    }  # fmt: skip
    control = (control | _CONTROL_WORDS) - actions - _LOGICAL
    return {
        "logical": ("keyword.operator.logical", _LOGICAL),
        "action": ("support.function.action", frozenset(actions)),
        "control": ("keyword.control", frozenset(control & KEYWORDS)),
        "word": ("keyword.other", KEYWORDS - actions - control - _LOGICAL),
    }


def _days() -> Iterable[str]:
    return (*DAY_NAMES, *(day.capitalize() for day in DAY_NAMES))


def _word(words: Iterable[str]) -> str:
    """Any of these as whole words, the longest first."""
    return f"{_APART}(?:{_any(words)}){_ENDS}"


def _any(words: Iterable[str]) -> str:
    return "|".join(re.escape(one) for one in sorted(words, key=lambda one: (-len(one), one)))


def _unit() -> str:
    one = f"(?:{_any({*UNITS, *SPELLINGS})})"
    return f"{one}(?:/{one})?"


def as_text() -> str:
    """The file."""
    return json.dumps(grammar(), indent=2, ensure_ascii=False) + "\n"


def main(arguments: Sequence[str]) -> int:
    """Make the files anew, or with `--check` only compare; 1 where one is not as it would be."""
    return remade(arguments, lambda _: as_text(), "python -m carerules.lsp.grammar")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

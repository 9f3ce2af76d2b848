"""A rule file in the canonical spelling and layout; its meaning stays what it was.

Knows how the meaning of two texts is compared. The layout itself never asks for it: it moves words,
and here the result is read again.
"""

from __future__ import annotations

import re
from dataclasses import fields, is_dataclass
from typing import Any

from carerules.domain.diagnostic import Diagnostic, Mend, Severity, Span
from carerules.domain.quantity import SPELLINGS, UNITS
from carerules.domain.signal import Catalogue, catalogue
from carerules.lang.codes import Code
from carerules.lang.findings import Findings
from carerules.lang.format.layout import lay_out
from carerules.lang.format.rows import canonical, comments, read_lines
from carerules.lang.load import Fetch, Loaded, load, no_file
from carerules.lang.parse import parse
from carerules.lang.scan import scan
from carerules.lang.syntax import Word

NOT_LAID_OUT = Code(
    "not-laid-out", "a file that `carerules format` leaves alone",
    "The file laid out would not have meant quite the same, so it was not touched. This is a fault"
    " of the program and not of the file: please report it with the file.",
)  # fmt: skip
"""The one diagnostic that no rule file can provoke: see `format_text`."""


def format_text(
    text: str, name: str, *, known: Catalogue | None = None, fetch: Fetch = no_file
) -> str | tuple[Diagnostic, ...]:
    """The text laid out, ending in a line end; or the errors that keep it from being read.

    Laying out the result changes nothing. Every comment stays, and the rules stay the same but for
    the line numbers that unnamed ones are called by. What a name outside the file stands for, such
    as a signal of the site, need not be known: such an error is passed over.
    """
    signals = catalogue() if known is None else known
    before = load({name: text}, catalogue=signals, fetch=fetch)
    errors = tuple(
        found for found in before.diagnostics
        if found.severity is Severity.ERROR and found.span.file == name
        and not _from_outside(found, text)
    )  # fmt: skip
    if errors:
        return errors
    out = lay_out(read_lines(text))
    after = load({name: out}, catalogue=signals, fetch=fetch)
    line = _difference(text, out, name)
    if line is None and _meant(before) != _meant(after):
        line = 1
    if line is not None:
        return (_refusal(name, line),)
    return out


def _refusal(name: str, line: int) -> Diagnostic:
    return Diagnostic(
        NOT_LAID_OUT.name, "laid out, this would not have meant quite the same",
        Span(name, line, 1, line, 2), Mend("nothing was changed; please report this with the file"),
    )  # fmt: skip


# Every other `unknown-...` is a name that the site or another file may have.
_KNOWN_HERE = frozenset({"unknown-word", "unknown-unit", "unknown-day", "unknown-name"})


def _from_outside(found: Diagnostic, text: str) -> bool:
    """An error that may be none where the file is used: it hangs on the site or on other files."""
    if found.code == "unknown-signal":
        row = text.removeprefix("\ufeff").split("\n")[found.span.line - 1]
        return row[found.span.column - 1 : found.span.end_column - 1].startswith("site.")
    return found.code.startswith("unknown-") and found.code not in _KNOWN_HERE


# ---- the same meaning --------------------------------------------------------------------------


def _difference(text: str, out: str, name: str) -> int | None:
    """The line in `text` of the first statement that reads otherwise in `out`; None: there is none.

    Compares the syntax trees, which are all there is for a rule whose names are unknown here.
    """
    if list(comments(read_lines(text))) != list(comments(read_lines(out))):
        return 1
    slips = Findings()  # the parser guesses at a slip, and may guess the tree that was meant
    mine, theirs = list(scan(text, name, Findings())), list(scan(out, name, slips))
    if len(mine) != len(theirs):
        return 1
    for one, other in zip(mine, theirs, strict=True):
        if _bare(parse(one, Findings())) != _bare(parse(other, slips)):
            return one.line
    return 1 if slips.errors else None


def _meant(loaded: Loaded) -> object:
    """Plan and scenarios without places, and each rule's fingerprint; None without a plan."""
    if loaded.plan is None:
        return None
    return _bare((loaded.plan, loaded.scenarios)), [rule.key for rule in loaded.plan.rules]


def _bare(node: Any) -> object:
    """A tree or plan without places; words and numbers in one spelling."""
    if isinstance(node, Word):
        return _word(node)
    if isinstance(node, Span):
        return None
    names = _field_names(node)
    if not names:
        return tuple(_bare(part) for part in node) if isinstance(node, (tuple, list)) else node
    kept: list[object] = [type(node).__name__]
    for name in names:
        value = getattr(node, name)
        # An unnamed rule is called by its line, which the layout may move.
        unnamed = name == "name" and isinstance(value, str) and ":" in value
        kept.append(None if unnamed else _bare(value))
    return tuple(kept)


def _field_names(node: Any) -> tuple[str, ...]:
    """Of a node of the tree, which is a named tuple, or of a part of a plan; none of all else."""
    if isinstance(node, tuple):
        return getattr(node, "_fields", ())
    if is_dataclass(node) and not isinstance(node, type):
        return tuple(field.name for field in fields(node))
    return ()


_FIGURE = re.compile(r"[+\-−]?\d+(\.\d+)?")
_CLOCK = re.compile(r"\d{1,2}:\d\d")


def _word(word: Word) -> tuple[str, str]:
    if word.type == "STRING":
        return word.type, word.text
    for kind, pattern in (("number", _FIGURE), ("clock", _CLOCK)):
        if pattern.fullmatch(word.text) is not None:
            return kind, canonical(kind, word.text, after_number=False)
    parts = [SPELLINGS.get(part, part) for part in word.text.split("/")]
    if all(part in UNITS for part in parts):
        return "unit", "/".join(parts)
    return word.type, word.text

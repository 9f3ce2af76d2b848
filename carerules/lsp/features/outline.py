"""The statements of a document, for an editor's list of them.

Knows statements. Does not know what they do.
"""

from __future__ import annotations

from typing import Literal, TypeAlias

from carerules.domain.frozen import guarded
from carerules.lang.names import Statement
from carerules.lsp.features.sight import Sight
from carerules.lsp.text import Range

SymbolKind: TypeAlias = Literal["use", "let", "group", "never", "rule", "scenario"]


@guarded
class Symbol:
    """One statement: its name, the whole of it, and the words that name it."""

    name: str
    kind: SymbolKind
    range: Range
    named: Range


def symbols(sight: Sight) -> list[Symbol]:
    """The statements in the order of the text; those that cannot be read are left out."""
    document = sight.document
    rows = document.text.removeprefix("\ufeff").split("\n")
    found: list[Symbol] = []
    for one in sight.outline.statements:
        whole = document.range_of(one.span)
        named = next((name.span for name in one.names if name.gives or name.kind == "file"), None)
        inside = None if named is None else document.range_of(named)
        if inside is None or not (whole.start <= inside.start and inside.end <= whole.end):
            inside = document.range_of(one.span.start)
        found.append(Symbol(_name(one, rows), one.kind, whole, inside))
    return found


def _name(one: Statement, rows: list[str]) -> str:
    """Its name; a `never` is shown by its words."""
    return one.name or rows[one.span.line - 1].strip()[:80]

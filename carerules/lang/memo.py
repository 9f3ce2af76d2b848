"""Statements as they were read last time, for a text that is read again at each key.

Knows which statements are still the same, and moves those that only stand on another line. Does not
know what stands in one.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, NamedTuple, TypeAlias, cast

from carerules.domain.diagnostic import Diagnostic, Span
from carerules.lang.findings import Findings
from carerules.lang.parse import parse
from carerules.lang.scan import Item
from carerules.lang.statements import StatementNode
from carerules.lang.syntax import Word

# All that the reading of a statement hangs on, but for its line: file, text, what is known of its
# margin. Two of the same text are the same, wherever they stand.
_Key: TypeAlias = tuple[str, str, bool, frozenset[int]]


class _Read(NamedTuple):
    """A statement as it was read on a line, and what was found wrong in it."""

    line: int
    node: StatementNode | None
    found: tuple[Diagnostic, ...]


class Memo:
    """Holds what the last two readings met, and nothing older. For one thread."""

    def __init__(self) -> None:
        self._now: dict[_Key, _Read] = {}
        self._before: dict[_Key, _Read] = {}

    def parse(self, item: Item, findings: Findings) -> StatementNode | None:
        """As `parse`, without doing again what was done last time."""
        pulled = frozenset(line - item.line for line in item.pulled)
        key = item.file, item.text, item.tabbed, pulled
        read = self._now.get(key) or self._before.get(key)
        if read is None:
            own = Findings()
            read = _Read(item.line, parse(item, own), tuple(own.all))
        elif read.line != item.line:
            read = _moved_all(read, item.line)
        self._now[key] = read
        findings.all += read.found
        return read.node

    def turn(self) -> None:
        """A reading of all files is over: what it did not meet is forgotten after the next."""
        self._before, self._now = self._now, {}


# ---- the same on another line ------------------------------------------------------------------


def _moved_all(read: _Read, line: int) -> _Read:
    rows = line - read.line
    found = tuple(_moved_finding(one, rows) for one in read.found)
    node = read.node
    return _Read(line, node and cast(StatementNode, _moved(node, rows)), found)


def _moved_finding(found: Diagnostic, rows: int) -> Diagnostic:
    mend = found.mend
    if mend is not None and mend.at is not None:
        mend = replace(mend, at=_moved_span(mend.at, rows))
    notes = tuple(
        (text, None if span is None else _moved_span(span, rows)) for text, span in found.notes
    )
    return replace(found, span=_moved_span(found.span, rows), mend=mend, notes=notes)


def _moved_span(span: Span, rows: int) -> Span:
    return Span(span.file, span.line + rows, span.column, span.end_line + rows, span.end_column)


def _moved(node: Any, rows: int) -> Any:
    """A tree with every place so many rows further down: all of its nodes are named tuples.

    A new line moves all that stands below it, at each press of the key: so the words, which are
    most of a tree, are made in the loop itself.
    """
    parts: list[Any] = []
    for part in node:
        kind = part.__class__
        if kind is Word:
            span = part.span
            parts.append(tuple.__new__(Word, (part.type, part.text, Span(
                span.file, span.line + rows, span.column, span.end_line + rows, span.end_column
            ))))  # fmt: skip
        elif kind is Span:
            parts.append(_moved_span(part, rows))
        else:
            parts.append(_moved(part, rows) if isinstance(part, tuple) else part)
    kind = node.__class__
    return tuple(parts) if kind is tuple else tuple.__new__(kind, parts)

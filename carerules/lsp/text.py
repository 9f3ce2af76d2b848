"""A document as an editor has it: its text, its changes, and places in it in the editor's counting.

Knows the Language Server Protocol's lines and columns. Does not know what the text says.

An editor's line ends at `\\n`, `\\r\\n` or `\\r`, its columns count UTF-16 code units unless agreed
otherwise, both from 0. The language's lines end at `\\n`, its columns count characters, from 1.
Whatever lies outside the text is taken as its nearest end.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass
from functools import cached_property
from typing import Literal, TypeAlias

from carerules.domain.diagnostic import Span
from carerules.domain.frozen import guarded

Encoding: TypeAlias = Literal["utf-8", "utf-16", "utf-32"]

ENCODINGS: tuple[Encoding, ...] = ("utf-8", "utf-16", "utf-32")
_BYTE_ORDER_MARK = "\ufeff"
_LINE_END = re.compile(r"\r\n|\r|\n")


@dataclass(frozen=True, slots=True, order=True)
class Position:
    """A place between two characters: line and column from 0, the column in code units."""

    line: int
    character: int


@guarded
class Range:
    """From the one place to the other, which is not in it."""

    start: Position
    end: Position


@dataclass(frozen=True)
class Document:
    """One text at one version. Offsets count characters of the text, from 0."""

    text: str
    encoding: Encoding = "utf-16"
    version: int | None = None

    def changed(self, where: Range | None, text: str, version: int | None = None) -> Document:
        """The document with this text in the place of a range, or of all of it."""
        if where is None:
            return Document(text, self.encoding, version)
        start, end = sorted((self.offset(where.start), self.offset(where.end)))
        return Document(self.text[:start] + text + self.text[end:], self.encoding, version)

    # ---- the editor's places -------------------------------------------------------------------

    @cached_property
    def _lines(self) -> list[tuple[int, int]]:
        """Where each line begins, and where it ends without its line end."""
        lines, start = [], 0
        for end in _LINE_END.finditer(self.text):
            lines.append((start, end.start()))
            start = end.end()
        return [*lines, (start, len(self.text))]

    def offset(self, at: Position) -> int:
        """The offset of a place; inside a character that has two code units: where it begins."""
        if at.line >= len(self._lines):
            return len(self.text)
        start, end = self._lines[max(0, at.line)]
        row, units = self.text[start:end], max(0, at.character)
        if self.encoding == "utf-32" or row.isascii():
            return min(start + units, end)
        for index, sign in enumerate(row):
            units -= self._units(sign)
            if units < 0:
                return start + index
        return end

    def position(self, offset: int) -> Position:
        """The place of an offset."""
        offset = min(max(0, offset), len(self.text))
        line = bisect_right(self._lines, offset, key=lambda one: one[0]) - 1
        start, end = self._lines[line]
        row = self.text[start : min(offset, end)]
        if self.encoding == "utf-32" or row.isascii():
            return Position(line, len(row))
        return Position(line, sum(self._units(sign) for sign in row))

    def _units(self, sign: str) -> int:
        if self.encoding == "utf-16":
            return 2 if ord(sign) > 0xFFFF else 1
        return len(sign.encode("utf-8", "surrogatepass")) if self.encoding == "utf-8" else 1

    def range(self, start: int, end: int) -> Range:
        """The range between two offsets."""
        return Range(self.position(start), self.position(end))

    @property
    def whole(self) -> Range:
        """All of it."""
        return self.range(0, len(self.text))

    # ---- the language's places -----------------------------------------------------------------

    @cached_property
    def _rows(self) -> list[int]:
        """Where each row begins that the language counts; a byte-order mark is in none."""
        first = 1 if self.text.startswith(_BYTE_ORDER_MARK) else 0
        return [first, *(at.end() for at in re.finditer("\n", self.text))]

    def offset_of(self, line: int, column: int) -> int:
        """The offset of the language's line and column."""
        if line > len(self._rows):
            return len(self.text)
        start = self._rows[max(1, line) - 1]
        end = self._rows[line] - 1 if line < len(self._rows) else len(self.text)
        return min(start + max(0, column - 1), max(start, end))

    def offsets_of(self, span: Span) -> tuple[int, int]:
        """Where a span of the language begins and ends."""
        return (
            self.offset_of(span.line, span.column),
            self.offset_of(span.end_line, span.end_column),
        )

    def range_of(self, span: Span) -> Range:
        """The range of a span of the language."""
        return self.range(*self.offsets_of(span))

    def row_of(self, offset: int) -> tuple[int, int, int]:
        """The language's line of an offset, and where this row begins and ends."""
        line = max(1, bisect_right(self._rows, offset))
        end = self._rows[line] - 1 if line < len(self._rows) else len(self.text)
        return line, self._rows[line - 1], end

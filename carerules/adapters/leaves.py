"""Rows read off single pages of an SQLite file, where the pages that lead to them are gone.

Knows how a leaf page of a table is laid out (sqlite.org/fileformat.html, 1.6, 2.1 and 2.2). Does
not know what the rows mean. Nothing is believed: what does not read as a whole row is no row.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TypeAlias

Value: TypeAlias = int | str | None
Row: TypeAlias = tuple[int, tuple[Value, ...]]
"""A row's number and its columns, of which whole numbers and texts are read."""

_LEAF = 0x0D
_HEADER = 8
_INTEGERS = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}
"""Bytes of a whole number by its serial type."""
COLUMNS_MAX = 32
"""No table of a journal has half as many."""


class _BrokenError(Exception):
    """Here is no row."""


def leaf_rows(path: Path) -> Iterator[Row]:
    """Every row that lies whole on a leaf page of a table, of whichever table, in the file's order.

    A row longer than a page, and one that has not come into the file from its -wal, is left out.
    What was deleted, and not yet written over, is there too.
    """
    with path.open("rb") as file:
        head = file.read(100)
        size = int.from_bytes(head[16:18], "big")
        size = 65_536 if size == 1 else size
        if len(head) < 100 or size < 512 or size & (size - 1):
            return
        file.seek(0)
        while len(page := file.read(size)) == size:
            if page[0] == _LEAF:
                yield from _rows(page)


def _rows(page: bytes) -> Iterator[Row]:
    cells = int.from_bytes(page[3:5], "big")
    for at in range(_HEADER, min(_HEADER + 2 * cells, len(page) - 1), 2):
        try:
            yield _row(page, int.from_bytes(page[at : at + 2], "big"))
        except (_BrokenError, UnicodeDecodeError):
            continue


def _row(page: bytes, at: int) -> Row:
    length, at = _varint(page, at)
    number, at = _varint(page, at)
    if length > len(page) - 35:  # the rest of it lies on pages of its own
        raise _BrokenError
    body = page[at : at + length]
    header, here = _varint(body, 0)
    if len(body) < length or not here <= header <= length:
        raise _BrokenError
    kinds: list[int] = []
    while here < header and len(kinds) < COLUMNS_MAX:
        kind, here = _varint(body, here)
        kinds.append(kind)
    values: list[Value] = []
    for kind in kinds:
        value, here = _value(body, kind, here)
        values.append(value)
    if here != length:
        raise _BrokenError
    return number, tuple(values)


def _value(body: bytes, kind: int, at: int) -> tuple[Value, int]:
    if kind == 0:
        return None, at
    if kind in (8, 9):
        return kind - 8, at
    if kind in _INTEGERS:
        end = at + _INTEGERS[kind]
        return int.from_bytes(body[at:end], "big", signed=True), end
    if kind >= 13 and kind % 2:
        end = at + (kind - 13) // 2
        return body[at:end].decode("utf-8"), end
    raise _BrokenError


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """A whole number of one to nine bytes, seven bits of it in each but the ninth."""
    number = 0
    for place in range(at, min(at + 8, len(data))):
        number = number << 7 | data[place] & 0x7F
        if data[place] < 0x80:
            return number, place + 1
    raise _BrokenError  # nine bytes: no number of a journal is so large

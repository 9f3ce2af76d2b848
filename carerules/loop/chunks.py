"""Many values by name, of which one changes at a time.

Knows names. Does not know what is kept under them. For the tens of packs of a workshop a copy of a
dict costs less than any cleverer structure; for a fleet's thousands it would cost more than the
rest of a step, so there a changed copy shares all chunks but one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TypeVar

CHUNK = 128
"""Names in one: the square root of a fleet of some ten thousand."""

V = TypeVar("V")


class Chunked(Mapping[str, V]):
    """A mapping that nobody writes to, in the order of its names; `having` gives a changed copy."""

    __slots__ = ("_chunk_of", "_chunks")

    def __init__(self, chunk_of: Mapping[str, int], chunks: tuple[Mapping[str, V], ...]) -> None:
        self._chunk_of, self._chunks = chunk_of, chunks

    def having(self, name: str, value: V) -> Chunked[V]:
        """A copy with another value under a name that is there already."""
        at = self._chunk_of[name]
        chunk = {**self._chunks[at], name: value}
        return Chunked(self._chunk_of, (*self._chunks[:at], chunk, *self._chunks[at + 1 :]))

    def __getitem__(self, name: str) -> V:
        return self._chunks[self._chunk_of[name]][name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._chunk_of)

    def __len__(self) -> int:
        return len(self._chunk_of)


def by_name(values: Mapping[str, V]) -> Mapping[str, V]:
    """The values as they are, or in chunks where there are many."""
    if len(values) <= CHUNK:
        return values
    names = list(values)
    parts = [names[at : at + CHUNK] for at in range(0, len(names), CHUNK)]
    chunk_of = {name: at for at, part in enumerate(parts) for name in part}
    return Chunked(chunk_of, tuple({name: values[name] for name in part} for part in parts))

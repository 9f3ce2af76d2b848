"""What is to come in a virtual world, in order.

Knows moments and names. Does not know what happens at them.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from heapq import heapify, heappop, heappush
from typing import TypeAlias

from carerules.domain.moment import Moment
from carerules.sim.plain import Plain, rows, table, whole

Entry: TypeAlias = tuple[Moment, int, str, str, object]
"""Moment, order of planning, kind, whose it is, and plain JSON for it."""


class Agenda:
    """A heap of entries; of two at one moment the one planned first comes first.

    Of a `single` kind each key has one entry: planning it again replaces the one before.
    """

    def __init__(self, single: Collection[str]) -> None:
        self._heap: list[Entry] = []
        self._order = 0
        self._due: dict[str, dict[str, Moment]] = {kind: {} for kind in single}

    def plan(self, kind: str, key: str, at: Moment, what: object = None) -> None:
        """Have something happen at a moment."""
        if kind in self._due:
            self._due[kind][key] = at
        self._order += 1
        heappush(self._heap, (at, self._order, kind, key, what))

    def due(self, kind: str, key: str) -> Moment | None:
        """When the one entry of a single kind comes."""
        return self._due[kind].get(key)

    def next_at(self) -> Moment:
        """The moment of the first entry, one that was replaced included."""
        return self._heap[0][0]

    def take(self, until: Moment) -> Entry | None:
        """The first entry that still holds, taken out; None: the next comes after `until`."""
        heap = self._heap
        while heap[0][0] <= until:
            entry = heappop(heap)
            due = self._due.get(entry[2])
            if due is None or due.get(entry[3]) == entry[0]:
                return entry
        return None

    def snapshot(self) -> Plain:
        """Everything, as plain JSON."""
        return {
            "heap": [list(entry) for entry in self._heap],
            "order": self._order,
            "due": {kind: dict(due) for kind, due in self._due.items()},
        }

    def restore(self, kept: Mapping[str, object], known: Collection[str]) -> None:
        """Go on from a snapshot; what belongs to nobody `known` is passed over."""
        self._heap = [entry for entry in map(_entry, rows(kept, "heap")) if entry[3] in known]
        heapify(self._heap)
        self._order = whole(kept, "order")
        due = table(kept, "due")
        for kind in self._due:
            old = table(due, kind)
            self._due[kind] = {key: whole(old, key) for key in old if key in known}


def _entry(kept: object) -> Entry:
    match kept:
        case [int(at), int(order), str(kind), str(key), what]:
            return at, order, kind, key, what
    raise ValueError("found an entry that is none in the snapshot's agenda; begin afresh")

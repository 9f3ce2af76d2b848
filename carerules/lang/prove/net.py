"""Bounds on the difference of two values, and what follows from all of them together.

Knows numbers by the axes that they are on. Does not know what the axes are. The bounds form a small
net that is closed by going over all paths; a way round that comes out below 0 cannot be.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import inf
from typing import NamedTuple, TypeAlias

from carerules.lang.prove.ranges import Cut, Range, Ranges, span


class Link(NamedTuple):
    """`x` less `y`, both numbers of axes, lies before the cut."""

    x: int
    y: int
    cut: Cut


NOT_MORE: Cut = (0.0, 1)
LESS: Cut = (0.0, 0)

_Bound: TypeAlias = tuple[int, int]


class Net:
    """Bounds on differences, closed over all paths. The first node is 0 itself.

    In whole numbers of one small unit, a power of two of which every number in it is made: a sum of
    rounded numbers would tighten a bound by its own dust.
    """

    def __init__(self, nodes: Sequence[int]) -> None:
        self.place = {axis: n + 1 for n, axis in enumerate(nodes)}
        size = len(nodes) + 1
        self.rows: list[list[_Bound | None]] = [[None] * size for _ in range(size)]
        self.units = 1  # how many make 1

    def bind(self, link: Link) -> None:
        """Add one bound."""
        self._tighten(self.place[link.x], self.place[link.y], self._exact(link.cut))

    def lie(self, axis: int, bounds: Range) -> None:
        """The value of an axis lies in the range."""
        (low, after), (high, upto) = bounds
        if high != inf:
            self._tighten(self.place[axis], 0, self._exact((high, upto)))
        if low != -inf:
            self._tighten(0, self.place[axis], self._exact((-low, 1 - after)))

    def close(self) -> bool:
        """Go over all paths; false: they contradict one another."""
        return self._close_over(range(len(self.rows)))

    def settle(self, axis: int, number: float) -> bool:
        """Give a value (base unit) to an axis of a closed net and close it again; false: it cannot
        have it."""
        self.lie(axis, span(number, number)[0])
        # What is new lies between the axis and 0, so that no other path has become shorter.
        return self._close_over((self.place[axis], 0))

    def bounds(self, axis: int) -> Ranges:
        """Where the value may lie."""
        n = self.place[axis]
        high, low = self.rows[n][0], self.rows[0][n]
        end: Cut = (inf, 0) if high is None else (high[0] / self.units, high[1])
        start: Cut = (-inf, 1) if low is None else (-low[0] / self.units, 1 - low[1])
        return ((start, end),) if start < end else ()

    def _close_over(self, nodes: Iterable[int]) -> bool:
        for at in nodes:
            onward = [(j, second) for j, second in enumerate(self.rows[at]) if second is not None]
            for row in self.rows:
                first = row[at]
                if first is None:
                    continue
                far, upto = first
                for j, second in onward:
                    both = far + second[0], min(upto, second[1])
                    known = row[j]
                    if known is None or both < known:
                        row[j] = both
        backs = (row[n] for n, row in enumerate(self.rows))
        return all(back is None or back >= (0, 1) for back in backs)

    def _tighten(self, x: int, y: int, bound: _Bound) -> None:
        known = self.rows[x][y]
        if known is None or bound < known:
            self.rows[x][y] = bound

    def _exact(self, cut: Cut) -> _Bound:
        whole, parts = cut[0].as_integer_ratio()
        if parts > self.units:
            finer = parts // self.units
            self.units = parts
            for row in self.rows:
                row[:] = [one and (one[0] * finer, one[1]) for one in row]
        return whole * (self.units // parts), cut[1]


def hanging_together(nodes: Iterable[int], bound: Iterable[Link]) -> list[list[int]]:
    """The axes in groups that no link joins to one another."""
    group = {axis: [axis] for axis in nodes}
    for link in bound:
        one, other = group[link.x], group[link.y]
        if one is not other:
            one += other
            group.update(dict.fromkeys(other, one))
    return list({id(axes): axes for axes in group.values()}.values())

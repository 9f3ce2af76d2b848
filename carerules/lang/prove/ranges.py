"""Sets of numbers on one axis: unions of intervals with exact ends.

Knows numbers, all of an axis in its base unit. Does not know what they measure. An end is a *cut*
between numbers: `(v, 0)` lies just before `v`, `(v, 1)` just after it; so open and closed ends need
no cases of their own.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil, floor, inf
from typing import TypeAlias

Cut: TypeAlias = tuple[float, int]
Range: TypeAlias = tuple[Cut, Cut]
Ranges: TypeAlias = tuple[Range, ...]
"""Sorted, apart from one another, none empty. `()` holds no number."""

NOWHERE: Ranges = ()
ANYWHERE: Ranges = (((-inf, 1), (inf, 0)),)


def span(
    low: float, high: float, *, open_low: bool = False, open_high: bool = False
) -> Ranges:  # fmt: skip
    """From `low` to `high`, both included unless said otherwise."""
    start, end = (low, int(open_low)), (high, int(not open_high))
    return ((start, end),) if start < end else NOWHERE


def above(limit: float, *, included: bool) -> Ranges:
    """All that is more than the limit."""
    return (((limit, int(not included)), (inf, 0)),)


def below(limit: float, *, included: bool) -> Ranges:
    """All that is less than the limit."""
    return (((-inf, 1), (limit, int(included))),)


def meet(a: Ranges, b: Ranges) -> Ranges:
    """What lies in both."""
    if len(a) == len(b) == 1:
        first, second = a[0], b[0]
        start, end = max(first[0], second[0]), min(first[1], second[1])
        return ((start, end),) if start < end else NOWHERE
    found: list[Range] = []
    i = j = 0
    while i < len(a) and j < len(b):
        start, end = max(a[i][0], b[j][0]), min(a[i][1], b[j][1])
        if start < end:
            found.append((start, end))
        if a[i][1] < b[j][1]:
            i += 1
        else:
            j += 1
    return tuple(found)


def join(a: Ranges, b: Ranges) -> Ranges:
    """What lies in either."""
    found: list[Range] = []
    for start, end in sorted((*a, *b)):
        if found and start <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], end))
        else:
            found.append((start, end))
    return tuple(found)


def less(whole: Ranges, taken: Ranges) -> Ranges:
    """What lies in the whole and not in what is taken."""
    left: list[Range] = []
    start: Cut = (-inf, 1)
    for low, high in taken:
        if start < low:
            left.append((start, low))
        start = high
    if start < (inf, 0):
        left.append((start, (inf, 0)))
    return meet(whole, tuple(left))


def whole_numbers(ranges: Ranges) -> Ranges:
    """The same whole numbers, with whole ends: between 2 and 3 there is none."""
    found: list[Range] = []
    for (low, after), (high, upto) in ranges:
        start: Cut = (low, after)
        if low != -inf:
            start = (floor(low) + 1 if after else ceil(low), 0)
        end: Cut = (high, upto)
        if high != inf:
            end = (floor(high) if upto else ceil(high) - 1, 1)
        if start >= end:
            continue
        if found and found[-1][1][0] + 1 == start[0]:
            start = found.pop()[0]
        found.append((start, end))
    return tuple(found)


def each_of(ranges: Ranges) -> Iterator[int]:
    """The whole numbers of a set that has ends, one after the other."""
    for (low, _), (high, _) in whole_numbers(ranges):
        yield from range(int(low), int(high) + 1)


def holds(ranges: Ranges, number: float) -> bool:
    """Whether the number lies in the set."""
    return any(start <= (number, 0) and (number, 1) <= end for start, end in ranges)


def hull(ranges: Ranges) -> Range:
    """From the first end to the last; of a set that is not empty."""
    return ranges[0][0], ranges[-1][1]


# ---- time that passes on the axis itself -------------------------------------------------------


def later(ranges: Ranges, time: float, *, resets: bool) -> Ranges:
    """Where a value that rises with time may be after it has stayed in the set for so long.

    `resets`: it may fall to 0 at any moment, so that it can stay near 0 for ever.
    """
    found = NOWHERE
    for start, end in ranges:
        stays = resets and start <= (0.0, 0) < end
        after = start if stays else (start[0] + time, start[1])
        if after < end:
            found = join(found, ((after, end),))
    return found


def since(ranges: Ranges, time: float, *, resets: bool) -> Ranges:
    """Where a value that rises with time may be at most so long after it was in the set."""
    found = span(0, time, open_high=True) if resets and ranges else NOWHERE
    for start, end in ranges:
        found = join(found, ((start, (end[0] + time, end[1])),))
    return found


def around(ranges: Ranges, whole: float, time: float, *, stayed: bool) -> Ranges:
    """The same for a clock that goes round from `whole` to 0.

    `stayed`: where it may be after so long in the set; else at most so long after it.
    """
    if not ranges or ranges == span(0, whole, open_high=True):
        return ranges
    pieces = list(ranges)
    goes_on = pieces[0][0] == (0.0, 0) and pieces[-1][1] == (whole, 0)
    if goes_on and len(pieces) > 1:
        first = pieces.pop(0)
        pieces[-1] = (pieces[-1][0], (first[1][0] + whole, first[1][1]))
    found = NOWHERE
    for start, end in pieces:
        moved: Range = (
            ((start[0] + time, start[1]), end) if stayed else (start, (end[0] + time, end[1]))
        )
        if moved[1][0] - moved[0][0] >= whole:
            return span(0, whole, open_high=True)
        if moved[0] >= moved[1]:
            continue
        for turn in (0.0, whole, 2 * whole):
            turned: Range = (
                (moved[0][0] - turn, moved[0][1]), (moved[1][0] - turn, moved[1][1])
            )  # fmt: skip
            found = join(found, meet((turned,), span(0, whole, open_high=True)))
    return found

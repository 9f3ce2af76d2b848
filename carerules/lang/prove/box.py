"""Boxes: one set of numbers on each axis, and what must have been so before.

Knows axes by number. Does not know conditions. A condition is true in a union of boxes; the work on
them is counted, so that no rule file can make a check run away.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import field
from typing import NamedTuple, TypeAlias

from carerules.domain.frozen import guarded
from carerules.domain.moment import Duration
from carerules.lang.prove.ranges import Ranges, join, meet

BOXES_MAX = 96
"""A condition that falls into more is not looked into: a person could not say either when it is
true. Thirty-two `or`s of three are within it."""
MEETS_MAX = 60_000
"""All meetings of boxes in one check: under a second; a hundred rules need six thousand."""
CHOICES_MAX = 64
"""Ways to place what must have been true some time ago among what was true all the time."""

At: TypeAlias = Mapping[int, Ranges]


class Past(NamedTuple):
    """`always`: at each moment of the last `time` one of these held; else at some moment of it.

    `clocked`: when it may have been so hangs on a value that moves by itself.
    """

    always: bool
    ats: tuple[At, ...]
    time: Duration
    clocked: bool = False


@guarded
class Box:
    """Where the values lie now, and what must have been so before.

    `loose` says why the box may hold more than can be; empty: every point of it can be. `at_first`:
    it can be only until everything has been known for as long as is looked back on; once that is
    so, nothing of it can be.
    """

    at: At = field(default_factory=dict)
    past: tuple[Past, ...] = ()
    loose: str = ""
    at_first: bool = False


Region: TypeAlias = Sequence[Box]
EVERYWHERE: Region = (Box(),)


class TooMuch(Exception):  # noqa: N818 - no mistake of anybody's: the search has come to its limit
    """The boxes of one condition, or of one question, are too many."""


class Spent(Exception):  # noqa: N818 - likewise
    """The work of the whole check is done: nothing more is asked."""


class Work:
    """What may still be spent on this check."""

    def __init__(self, meets: int = MEETS_MAX) -> None:
        self.left = meets
        self.given_up = False

    def spend(self, meets: int = 1) -> None:
        """Count so many meets of intervals as done. Raises Spent when there is no more."""
        self.left -= meets
        if self.left < 0 or self.given_up:
            raise Spent

    def give_up(self) -> None:
        """Nobody waits for the answer any more. The one method that another thread may call."""
        self.given_up = True


def meet_at(a: At, b: At) -> At | None:
    """Where both hold now; None: nowhere."""
    if len(a) < len(b):
        a, b = b, a
    out: dict[int, Ranges] | None = None
    for axis, ranges in b.items():
        mine = a.get(axis)
        if mine is not None:
            if mine == ranges:
                continue
            ranges = meet(mine, ranges)  # noqa: PLW2901 - the narrower of the two
            if not ranges:
                return None
        if out is None:
            out = dict(a)
        out[axis] = ranges
    return a if out is None else out


def meet_box(a: Box, b: Box, work: Work) -> Box | None:
    """Where both boxes hold; None: nowhere."""
    work.spend()
    at = meet_at(a.at, b.at)
    if at is None:
        return None
    past, loose, at_first = a.past or b.past, a.loose or b.loose, a.at_first or b.at_first
    if a.past and b.past:
        past = (*a.past, *(one for one in b.past if one not in a.past))
        for one in past:
            if one.always:
                continue
            if not moments_of(one, past, work):
                return None
            # As long ago as may be is not for it to choose: it must fit at any moment.
            if one.clocked and not moments_of(one._replace(time=0), past, work):
                loose = loose or "when it was so hangs on the clock"
    return Box(at, past, loose, at_first)


def meet_regions(a: Region, b: Region, work: Work) -> list[Box]:
    """Where both regions hold; raises TooMuch past `BOXES_MAX` boxes."""
    found: list[Box] = []
    for one in a:
        for other in b:
            both = meet_box(one, other, work)
            if both is not None:
                found.append(both)
                if len(found) > BOXES_MAX:
                    raise TooMuch(f"a condition falls into more than {BOXES_MAX} cases")
    return found


def meetings(a: Region, b: Region, work: Work) -> Iterable[Box]:
    """The boxes in which both hold, one after the other."""
    for one in a:
        for other in b:
            both = meet_box(one, other, work)
            if both is not None:
                yield both


def unite(regions: Iterable[Region]) -> list[Box]:
    """Where at least one holds. Boxes on one and the same axis become one; raises TooMuch."""
    found: list[Box] = []
    single: dict[int, int] = {}
    for region in regions:
        for box in region:
            if len(box.at) == 1 and box == Box(box.at):
                ((axis, ranges),) = box.at.items()
                place = single.setdefault(axis, len(found))
                if place < len(found):
                    found[place] = Box({axis: join(found[place].at[axis], ranges)})
                    continue
            found.append(box)
            if len(found) > BOXES_MAX:
                raise TooMuch(f"a condition falls into more than {BOXES_MAX} cases")
    return found


def within(region: Region, at: At, work: Work) -> list[Box]:
    """The region, cut down to where `at` holds."""
    return meet_regions(region, (Box(at),), work)


# ---- what was so before ------------------------------------------------------------------------


def moments_of(once: Past, past: Sequence[Past], work: Work) -> list[At]:
    """How things may have been when `once` held, as long ago as it may be; none: it cannot be.

    As long ago as it may be, the fewest of what was true all the time reach so far back.
    """
    found = list(once.ats)
    for other in past:
        if not other.always or other.time < once.time:
            continue
        after: list[At] = []
        for at in found:
            for there in other.ats:
                work.spend()
                both = meet_at(at, there)
                if both is not None:
                    after.append(both)
        found = after[:CHOICES_MAX]
    return found

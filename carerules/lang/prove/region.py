"""Where a condition is certainly true, or certainly false: as boxes.

Knows conditions and how time bears on each axis. Does not know rules. With every reading known, a
condition is true in one of the two regions and false in the other; what is unknown is in neither.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import inf
from typing import assert_never

from carerules.domain.action import DayWindow
from carerules.domain.condition import (
    And,
    Between,
    Compare,
    Condition,
    Crosses,
    During,
    For,
    InLast,
    InSamples,
    Not,
    NumberOfPacks,
    OnDays,
    Op,
    Or,
    ValueOf,
    compare,
)
from carerules.domain.moment import DAY, MINUTE, NEVER, WEEK, Duration
from carerules.domain.quantity import Quantity
from carerules.domain.wording import wording
from carerules.lang.prove.axes import CLOCK, WEEK_TIME, Axes, Motion
from carerules.lang.prove.box import (
    EVERYWHERE,
    At,
    Box,
    Past,
    Region,
    TooMuch,
    Work,
    meet_regions,
    unite,
)
from carerules.lang.prove.ranges import (
    ANYWHERE,
    NOWHERE,
    Ranges,
    above,
    around,
    below,
    join,
    later,
    less,
    meet,
    since,
    span,
    whole_numbers,
)

DEPTH_MAX = 64
"""Conditions inside one another: the language takes 16, and `number of packs` one more each."""


class Regions:
    """Turns conditions into boxes; the same one is turned once."""

    def __init__(self, axes: Axes, work: Work) -> None:
        self.axes = axes
        self.work = work
        self._known: dict[tuple[int, bool], tuple[Condition, list[Box]]] = {}
        self._depth = 0

    def true(self, condition: Condition) -> list[Box]:
        """Where it is certainly true. Raises TooMuch."""
        return self._region(condition, True)

    def false(self, condition: Condition) -> list[Box]:
        """Where it is certainly false. Raises TooMuch."""
        return self._region(condition, False)

    def _region(self, condition: Condition, wanted: bool) -> list[Box]:
        key = (id(condition), wanted)
        known = self._known.get(key)
        if known is not None:
            return known[1]
        if self._depth >= DEPTH_MAX:
            raise TooMuch("a condition goes too deep")
        self._depth += 1
        self.work.spend()
        try:
            found = self._build(condition, wanted)
        finally:
            self._depth -= 1
        # The condition is kept with its boxes, so that its id stays its own.
        self._known[key] = (condition, found)
        return found

    def _build(self, condition: Condition, wanted: bool) -> list[Box]:
        match condition:
            case Compare(left, op, right):
                return self._compared(left, op, right, wanted)
            case Between(value, low, high):
                return self._on(value, span(low.value, high.value), wanted)
            case And(parts) | Or(parts):
                all_of = isinstance(condition, And) is wanted
                regions = [self._region(part, wanted) for part in parts]
                return self._all(regions) if all_of else self._any(regions)
            case Not(part):
                return self._region(part, not wanted)
            case For(part, time):
                if wanted:
                    return self._throughout(self._region(part, True), time)
                return self._not_throughout(part, time)
            case InLast(part, time):
                inner = self._region(part, wanted)
                return self._once(inner, time) if wanted else self._absent(inner, time)
            case During(window):
                return self._set(CLOCK, day_times(window), wanted)
            case OnDays(days):
                ranges = NOWHERE
                for day in days:
                    ranges = join(ranges, span(day * DAY, (day + 1) * DAY, open_high=True))
                return self._set(CLOCK, ranges, wanted)
            case Crosses(value, level, up):
                return self._crossed(condition, value, level, up, wanted)
            case InSamples(part, least, of):
                return self._sampled(condition, part, least == of if wanted else least == 1, wanted)
            case _:
                assert_never(condition)

    def _all(self, regions: Sequence[Region]) -> list[Box]:
        found = list(EVERYWHERE)
        # The narrow ones first: fewer boxes on the way.
        for region in sorted(regions, key=len):
            found = meet_regions(found, region, self.work)
        return found

    def _any(self, regions: Sequence[Region]) -> list[Box]:
        found = unite(regions)
        for box in found:
            whole = all(r == self.axes.rows[axis].natural for axis, r in box.at.items())
            if whole and box == Box(box.at):
                return list(EVERYWHERE)
        return found

    # ---- one value -----------------------------------------------------------------------------

    def _set(self, axis: int, ranges: Ranges, wanted: bool) -> list[Box]:
        row = self.axes.rows[axis]
        inside = meet(row.natural, ranges) if wanted else less(row.natural, ranges)
        if row.whole:
            inside = whole_numbers(inside)
        if inside == row.natural:
            return list(EVERYWHERE)
        return [Box({axis: inside})] if inside else []

    def _on(self, value: ValueOf, ranges: Ranges, wanted: bool) -> list[Box]:
        if isinstance(value, NumberOfPacks):
            return self._counted(value, ranges if wanted else less(ANYWHERE, ranges))
        return self._set(self.axes.of(value), ranges, wanted)

    def _compared(self, left: ValueOf, op: Op, right: ValueOf, wanted: bool) -> list[Box]:
        if isinstance(left, Quantity) and isinstance(right, Quantity):
            same = compare(left.value, op, right.value) is wanted
            return list(EVERYWHERE) if same else []
        if isinstance(left, Quantity):
            left, op, right = right, _MIRRORED[op], left
        if isinstance(right, Quantity):
            return self._on(left, compared_with(op, right.value), wanted)
        if left == right:
            return list(EVERYWHERE) if compare(0, op, 0) is wanted else []
        return self._set(self.axes.difference(left, right), compared_with(op, 0.0), wanted)

    def _counted(self, value: NumberOfPacks, ranges: Ranges) -> list[Box]:
        """A number of packs says something of this very pack where it is none of them, or all."""
        axis, most = self.axes.of(value), self.axes.packs
        inside = whole_numbers(meet(self.axes.rows[axis].natural, ranges))
        found: list[Region] = []
        none = meet(inside, span(0, 0))
        if none:
            only = [Box({axis: none})]
            found.append(meet_regions(only, self._region(value.where, False), self.work))
        if most is not None and most > 0 and (every := meet(inside, span(most, most))):
            only = [Box({axis: every})]
            found.append(meet_regions(only, self._region(value.where, True), self.work))
        between = meet(inside, span(1, inf if most is None else most - 1))
        if between:
            found.append([Box({axis: between})])
        return [box for region in found for box in region]

    def _crossed(
        self, condition: Crosses, value: ValueOf, level: Quantity, up: bool, wanted: bool
    ) -> list[Box]:
        flag = self.axes.flag(condition, wording(condition))
        if not wanted:
            return [Box({flag: span(0, 0)})]
        side = above if up else below
        beyond = side(level.value, included=False)
        near = self._on(value, beyond, False)
        past = Past(False, tuple(box.at for box in near), NEVER)
        return [
            replace(box, at={**box.at, flag: span(1, 1)}, past=(past,))
            for box in (self._on(value, beyond, True) if near else [])
        ]

    def _sampled(
        self, condition: InSamples, part: Condition, now_too: bool, wanted: bool
    ) -> list[Box]:
        flag = self.axes.flag(condition, wording(condition))
        inner = self._region(part, wanted)
        mark = {flag: span(int(wanted), int(wanted))}
        if now_too:  # all of the last samples are so, the newest too
            return meet_regions([Box(mark)], inner, self.work)
        found = []
        for at_first in (False, True):
            some = [box for box in inner if box.at_first is at_first]
            past = Past(False, tuple(box.at for box in some), NEVER)
            found += [Box(mark, (past,), _looser(some), at_first)] if some else []
        return found

    # ---- time ----------------------------------------------------------------------------------

    def _throughout(self, inner: Region, time: Duration) -> list[Box]:
        """`for`: one of the boxes at each moment of the last so long."""
        known = [box for box in inner if not box.at_first]
        found = self._held(known, time)
        if len(known) < len(inner):  # with those that can be at first only, it can be so only then
            found += [replace(box, at_first=True) for box in self._held(inner, time)]
        return found

    def _held(self, inner: Region, time: Duration) -> list[Box]:
        alone = len(inner) == 1
        found: list[Box] = []
        ats = tuple(box.at for box in inner)
        for box in inner:
            at, moved = self._stayed(box.at, time)
            loose = box.loose
            if alone:
                past = [Past(True, ats, time)]
                for one in box.past:
                    if one.always:
                        past.append(one._replace(time=one.time + time))
                    else:
                        loose = loose or "it looks back on what it looked back on"
                        past.append(one._replace(time=one.time + time))
            else:
                if moved:
                    at, loose = box.at, loose or "its clocks may take turns"
                if any(one.past for one in inner):
                    loose = loose or "it looks back on what it looked back on"
                past = [Past(True, ats, time)]
            if all(at.values()):
                found.append(Box(at, tuple(past), loose))
        return found

    def _not_throughout(self, part: Condition, time: Duration) -> list[Box]:
        """Not `for`: it was false at some moment, or has not been known for so long."""
        inner = self._region(part, False)
        found = self._once(inner, time)
        if not inner or any(self._stayed(box.at, time)[1] for box in inner):
            found.append(Box(at_first=True))  # when no clock can be so, or not at this hour
        return found

    def _absent(self, inner: Region, time: Duration) -> list[Box]:
        """Not `in last`: false at each moment of it; what was before the first look counts too."""
        found = self._throughout(inner, time)
        for box in inner:
            if self._stayed(box.at, time)[1]:
                found.append(Box(box.at, (Past(True, (box.at,), 0),), at_first=True))
        return found

    def _once(self, inner: Region, time: Duration) -> list[Box]:
        """`in last`: at some moment of the last so long. Of now it tells of clocks only."""
        found: list[Box] = []
        for box in inner:
            at: dict[int, Ranges] = {}
            clocks = 0
            for axis, ranges in box.at.items():
                row = self.axes.rows[axis]
                match row.motion:
                    case Motion.CLOCK:
                        at[axis] = around(ranges, WEEK, time, stayed=False)
                        clocks += 1
                    case Motion.RISING | Motion.AGEING:
                        moved = since(ranges, time, resets=row.motion is Motion.RISING)
                        at[axis] = meet(row.natural, moved)
                        clocks += 1
                    case Motion.STATIC:
                        at[axis] = ranges
                    case _:
                        pass
            loose = box.loose or ("it looks back twice" if box.past else "")
            loose = loose or ("its clocks run together" if clocks > 1 else "")
            past = Past(False, (box.at,), time, clocks > 0)
            found.append(Box(at, (past,), loose, box.at_first))
        return unite([found])

    def _stayed(self, at: At, time: Duration) -> tuple[At, bool]:
        """Where the box's clocks may be after it held so long, and whether it has any."""
        moved: dict[int, Ranges] = {}
        for axis, ranges in at.items():
            row = self.axes.rows[axis]
            if row.motion is Motion.CLOCK:
                moved[axis] = around(ranges, WEEK, time, stayed=True)
            elif row.motion in (Motion.RISING, Motion.AGEING):
                resets = row.motion is Motion.RISING
                moved[axis] = later(ranges, time, resets=resets)
        return ({**at, **moved}, True) if moved else (at, False)


def _looser(inner: Region) -> str:
    return next((box.loose for box in inner if box.loose), "") or (
        "it looks back twice" if any(box.past for box in inner) else ""
    )


def compared_with(op: Op, limit: float) -> Ranges:
    """All numbers that compare so with the limit, in its base unit."""
    make: dict[Op, Callable[[], Ranges]] = {
        ">": lambda: above(limit, included=False),
        ">=": lambda: above(limit, included=True),
        "<": lambda: below(limit, included=False),
        "<=": lambda: below(limit, included=True),
        "=": lambda: span(limit, limit),
        "!=": lambda: less(ANYWHERE, span(limit, limit)),
    }
    return make[op]()


_MIRRORED: dict[Op, Op] = {"<": ">", "<=": ">=", ">": "<", ">=": "<=", "=": "=", "!=": "!="}


def day_times(window: DayWindow) -> Ranges:
    """The window on each day of the week."""
    first, last = window.since * MINUTE, window.until * MINUTE
    if first == last:
        return WEEK_TIME
    found = NOWHERE
    for day in range(7):
        start, end = day * DAY + first, day * DAY + last
        if last > first:
            found = join(found, span(start, end, open_high=True))
        else:
            found = join(found, span(start, (day + 1) * DAY, open_high=True))
            found = join(found, span(day * DAY, end, open_high=True))
    return found

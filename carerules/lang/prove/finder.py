"""One state of the world out of a box: values that can be true together, for a pack there is.

Knows boxes and how values hang together. Does not know what a witness is to show.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import reduce
from itertools import islice

from carerules.domain.condition import CountIn, CountSince, OverWindow, SignalValue, TimeSince
from carerules.domain.moment import NEVER
from carerules.domain.pack import Pack
from carerules.lang.prove import links as tied
from carerules.lang.prove.axes import PACK, UNTIL, Axes, Axis
from carerules.lang.prove.box import At, Box, Work
from carerules.lang.prove.net import Link, Net, hanging_together
from carerules.lang.prove.pick import pick
from carerules.lang.prove.ranges import each_of, holds, hull, join, meet, span, whole_numbers
from carerules.lang.prove.retell import Retell
from carerules.lang.prove.witness import Answer, Maybe

PATHS_A_MEET = 16
"""Paths in a net of values that cost as much as a meeting of boxes. Six values bound together, as a
person might write, cost thirteen; who binds a hundred has spent the check."""
PACKS_TRIED_MAX = 64
"""Packs of one box that are tried one by one, where their labels matter: a large site has as many
kinds at most."""


class Finder:
    """Finds witnesses in boxes. `packs` empty: the site is unknown."""

    def __init__(self, axes: Axes, packs: Sequence[Pack], work: Work) -> None:
        self.axes = axes
        self.packs = packs
        self.work = work
        self.retell = Retell(axes, packs, work)

    def find(self, box: Box) -> Answer:
        """A witness out of the box."""
        narrowed = self._by_history(box)
        if narrowed is None:
            return Maybe.NO
        if box.past and not box.loose and self._tangled(box):
            box = replace(box, loose="counts and times of one event, some of them looked back on")
        if not tied.linked(narrowed, self.axes):
            rows = self.axes.rows
            numbers = {axis: pick(ranges, rows[axis]) for axis, ranges in narrowed.items()}
            return self._told(box, numbers)
        answer = Maybe.NO
        for at in tied.cases(narrowed, self.axes):
            for pack, one in self._for_packs(at):
                found = self._numbers(one, pack)
                if isinstance(found, Maybe):
                    answer = Maybe.UNSURE if Maybe.UNSURE in (answer, found) else Maybe.NO
                else:
                    return self._told(box, found)
        return answer

    def _told(self, box: Box, numbers: Mapping[int, float]) -> Answer:
        told = None if box.loose else self.retell.witness(box, numbers)
        return Maybe.UNSURE if told is None else told

    def _tangled(self, box: Box) -> bool:
        """Whether several values of one event meet, one of them in the past: a count falls by
        itself as time goes on, and this is not followed."""
        rows = self.axes.rows
        before = {axis for past in box.past for at in past.ats for axis in at}
        looked_back = {event for axis in before for event in _events(rows[axis])}
        told = [event for axis in before.union(box.at) for event in set(_events(rows[axis]))]
        more = any(told.count(event) > 1 for event in looked_back)
        return more or self._counts_down(box) or self._counts_past(box)

    def _counts_past(self, box: Box) -> bool:
        """Whether a count would have to come to what it is by leaving a number out: things happen
        one after the other, and each is seen."""
        axes = {axis for past in box.past if not past.always for at in past.ats for axis in at}
        for axis in axes:
            if not isinstance(self.axes.rows[axis].value, (CountIn, CountSince)):
                continue
            for past in box.past:
                if past.always and any(axis in at for at in past.ats):
                    ranges = reduce(join, (at.get(axis, ()) for at in past.ats))
                    if len(whole_numbers(ranges)) > 1:
                        return True
        return False

    def _counts_down(self, box: Box) -> bool:
        """Whether a count since a mark would have to fall and yet stay above nothing: it falls to
        nothing only."""
        kept = {
            axis
            for past in box.past if past.always
            for at in past.ats for axis, ranges in at.items() if not holds(ranges, 0)
        }  # fmt: skip
        once = {axis for past in box.past if not past.always for at in past.ats for axis in at}
        return any(isinstance(self.axes.rows[axis].value, CountSince) for axis in kept & once)

    def _by_history(self, box: Box) -> At | None:
        """What a signal was all the time bounds what its window can be; None: it cannot be."""
        at = self._on_the_way(box)
        for axis in tuple(at or ()):
            assert at is not None
            value = self.axes.rows[axis].value
            if not isinstance(value, OverWindow) or value.kind == "slope":
                continue
            signal = self.axes.of(value.signal)
            for past in box.past:
                if not past.always or past.time < value.time:
                    continue
                seen = [one.get(signal) for one in past.ats]
                known = [ranges for ranges in seen if ranges]
                if len(known) != len(seen):
                    continue
                lowest, highest = min(hull(r)[0] for r in known), max(hull(r)[1] for r in known)
                both = meet(at[axis], ((lowest, highest),))
                if not both:
                    return None
                at = {**at, axis: both}
        return at

    def _on_the_way(self, box: Box) -> At | None:
        """The time until use runs down, whatever anybody plans: for no time at all does it stay at
        one value, unless no use is planned."""
        stays = whole = self.axes.rows[UNTIL].natural
        for past in box.past:
            if past.always and past.time > 0 and all(UNTIL in at for at in past.ats):
                stays = meet(stays, reduce(join, (at[UNTIL] for at in past.ats)))
        if stays == whole:
            return box.at
        wide = tuple(one for one in stays if one[0][0] < one[1][0] or one[0][0] >= NEVER)
        inside = meet(box.at.get(UNTIL, whole), wide)
        if not wide:
            return None
        return {**box.at, UNTIL: inside} if inside else box.at

    def _for_packs(self, at: At) -> Iterator[tuple[Pack | None, At]]:
        if not tied.needs_label(at, self.axes) or not self.packs:
            yield None, at
            return
        wanted = at.get(PACK, self.axes.rows[PACK].natural)
        for number in islice(each_of(wanted), PACKS_TRIED_MAX):
            yield self.packs[number], {**at, PACK: span(number, number)}

    def _numbers(self, at: At, pack: Pack | None) -> dict[int, float] | Maybe:
        if pack is None and tied.needs_label(at, self.axes):
            return Maybe.UNSURE
        self.work.spend()
        at = tied.spread_out(at, self.axes)
        bound: list[Link] = list(tied.links(at, self.axes))
        factors: Mapping[int, float] = {}
        if pack is not None:
            at, more, factors = tied.by_label(at, self.axes, pack)
            bound += more
        numbers: dict[int, float] = {}
        for axes in hanging_together(at, bound):
            found = self._in_net(at, axes, [link for link in bound if link.x in axes], factors)
            if isinstance(found, Maybe):
                return found
            numbers.update(found)
        for axis, factor in factors.items():
            numbers[axis] *= factor
        return Maybe.UNSURE if self._doubtful(numbers) else numbers

    def _in_net(
        self, at: At, axes: Sequence[int], bound: Sequence[Link], factors: Mapping[int, float]
    ) -> dict[int, float] | Maybe:
        """Values of some axes that hang together, one picked after the other."""
        rows = self.axes.rows
        if len(axes) == 1:
            return {axes[0]: pick(at[axes[0]], rows[axes[0]])}
        self.work.spend(len(axes) ** 3 // PATHS_A_MEET)
        net = Net(axes)
        for link in bound:
            net.bind(link)
        for axis in axes:
            net.lie(axis, hull(at[axis]))
        if not net.close():
            return Maybe.NO
        numbers: dict[int, float] = {}
        for axis in sorted(axes, key=lambda one: rows[one].parts is not None):
            row = rows[axis]
            left = meet(at[axis], net.bounds(axis))
            if row.parts is not None:
                first, second = row.parts
                made = numbers[first] - numbers[second]
                left = span(made, made) if holds(at[axis], made) else ()
            elif row.whole and axis not in factors:
                left = whole_numbers(left)
            if not left:
                return Maybe.UNSURE  # the net sees one stretch only, the box may have several
            numbers[axis] = pick(left, row)
            if not net.settle(axis, numbers[axis]):
                return Maybe.UNSURE
        return numbers

    def _doubtful(self, numbers: Mapping[int, float]) -> bool:
        """Whether the values contradict one another in a way that the net does not know."""
        named = {
            value.name: numbers[axis]
            for axis in numbers if isinstance(value := self.axes.rows[axis].value, SignalValue)
        }  # fmt: skip
        current, power = named.get("pack.current", 0.0), named.get("pack.power", 0.0)
        flows = abs(current) > 0 or abs(power) > 0
        values = [self.axes.rows[axis].value for axis in numbers]
        lately = {value.event for value in values if isinstance(value, CountIn)}
        since = {value.event for value in values if isinstance(value, CountSince)}
        resting = named.get("pack.rested", 0.0) > 0
        return current * power < 0 or (flows and resting) or bool(lately & since)


def _events(row: Axis) -> tuple[str, ...]:
    """The events that a value tells of."""
    match row.value:
        case TimeSince(event) | CountIn(event, _):
            return (event,)
        case CountSince(event, since):
            return event, since
        case _:
            return ()

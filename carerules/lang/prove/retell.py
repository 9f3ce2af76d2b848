"""Found values told as a witness: when what must have been so was so, and for which pack.

Knows what the boxes ask of the past, and how values move by themselves. Does not know how the
values were found.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import pairwise

from carerules.domain.condition import CountIn
from carerules.domain.moment import MINUTE, NEVER, WEEK, Duration
from carerules.domain.pack import Pack
from carerules.lang.prove.axes import CLOCK, PACK, UNTIL, Axes, Motion
from carerules.lang.prove.box import At, Box, Work, meet_at, moments_of
from carerules.lang.prove.net import NOT_MORE, Link, Net
from carerules.lang.prove.pick import pick
from carerules.lang.prove.ranges import Ranges, holds, hull, span
from carerules.lang.prove.witness import State, Witness

_MOVING = (Motion.CLOCK, Motion.RISING, Motion.AGEING)


class Retell:
    """Makes witnesses of numbers. `packs` empty: the site is unknown."""

    def __init__(self, axes: Axes, packs: Sequence[Pack], work: Work) -> None:
        self.axes = axes
        self.packs = packs
        self.work = work

    def witness(self, box: Box, numbers: Mapping[int, float]) -> Witness | None:
        """The witness of a box at these values (base units); None: what must have been so before
        could not be placed before them."""
        now = dict(numbers)
        before: list[tuple[Duration, dict[int, float]]] = []
        for time, choices in self._asked(box, now):
            placed = self._placed(time, choices, now, {ago for ago, _ in before})
            if placed is None:
                return None
            ago, then = placed
            for axis in then.keys() - now.keys():
                motion = self.axes.rows[axis].motion
                if motion is Motion.CLOCK:  # the hour then tells the hour now
                    now[axis] = (then[axis] + ago) % WEEK
                elif motion is Motion.AGEING:
                    now[axis] = then[axis] + ago
            before.append((ago, then))
        if not self._can_be([(0, now), *before]):
            return None
        told = tuple((ago, self._state(then)) for ago, then in before)
        return Witness(self._pack(now, box.at), self._state(now), told)

    def _can_be(self, moments: Sequence[tuple[Duration, Mapping[int, float]]]) -> bool:
        """Whether a value can be so much at each of the moments: what was counted over a stretch of
        time has not left it before its end, and what rises with time rises no faster."""
        for axis in {axis for _, then in moments for axis in then}:
            row = self.axes.rows[axis]
            known = [(ago, then[axis]) for ago, then in moments if axis in then]
            if len(known) < 2:
                continue
            if isinstance(row.value, CountIn) and not _counted(row.value.time, known):
                return False
            if row.motion is Motion.RISING and not _risen(known):
                return False
        return True

    def _asked(
        self, box: Box, now: Mapping[int, float]
    ) -> list[tuple[Duration, list[At]]]:  # fmt: skip
        """What must have been so within what time, and is not so now: each in its choices."""
        found: list[tuple[Duration, list[At]]] = []
        held = {
            axis for past in box.past if past.always for at in past.ats for axis in at
            if axis == UNTIL or self.axes.rows[axis].motion in (Motion.RISING, Motion.AGEING)
        }  # fmt: skip
        for one in box.past:
            if one.always or any(self._is_now(at, now) for at in one.ats):
                continue
            choices = moments_of(one, box.past, self.work)
            # What runs on is at one value for an instant only: who looks on all the time for what
            # it may not be, as `held` does, would have to see it turn in that very millisecond.
            choices = [
                at for at in choices if not any(_is_one_number(at.get(axis, ())) for axis in held)
            ]  # fmt: skip
            for n, (time, others) in enumerate(found):
                same = one.time == time and choices and others
                both = meet_at(choices[0], others[0]) if same else None
                if both is not None:  # they may as well have been so at the same moment
                    found[n] = time, [both]
                    break
            else:
                found.append((one.time, choices))
        return found

    def _placed(
        self, time: Duration, choices: Sequence[At], now: Mapping[int, float], taken: set[Duration]
    ) -> tuple[Duration, dict[int, float]] | None:
        """How long ago it was so, and what each value was then. Two things that contradict were
        not so at the same moment."""
        numbered = [_ago(time, n) for n in range(len(taken) + 1)]
        for at in choices:
            for ago in (*self._passing(time, at, now), *numbered):
                moved = self._moved_back(at, now, ago)
                if ago >= 0 and ago not in taken and moved is not None:
                    then = {axis: pick(r, self.axes.rows[axis]) for axis, r in at.items()}
                    return ago, {**then, **moved}
        return None

    def _passing(
        self, time: Duration, at: At, numbers: Mapping[int, float]
    ) -> Iterator[Duration]:  # fmt: skip
        """How long ago a value that moves by itself was at the ends and in the middle of where it
        must have been."""
        for axis, ranges in at.items():
            motion = self.axes.rows[axis].motion
            if axis not in numbers or motion not in _MOVING:
                continue
            for (low, after), (high, _) in ranges:
                longest = numbers[axis] - time
                if motion is Motion.CLOCK:
                    longest %= WEEK
                for then in (longest, low + after, (low + high) // 2, high - 1):
                    gone = numbers[axis] - then
                    if motion is Motion.CLOCK:
                        gone %= WEEK
                    if gone <= time:
                        yield round(gone)

    def _moved_back(
        self, at: At, numbers: Mapping[int, float], ago: Duration
    ) -> dict[int, float] | None:
        """Where the values that move by themselves were so long ago; None: not where they must
        have been. Before its event, a time since may have been any."""
        moved: dict[int, float] = {}
        for axis, ranges in at.items():
            motion = self.axes.rows[axis].motion
            if axis not in numbers or motion not in _MOVING:
                continue
            then = numbers[axis] - ago
            if motion is Motion.CLOCK:
                then %= WEEK
            elif motion is Motion.RISING and then < 0:
                continue
            if not holds(ranges, then):
                return None
            moved[axis] = then
        return moved

    @staticmethod
    def _is_now(at: At, numbers: Mapping[int, float]) -> bool:
        return all(axis in numbers and holds(r, numbers[axis]) for axis, r in at.items())

    def _state(self, numbers: Mapping[int, float]) -> State:
        rows = self.axes.rows
        return State(
            tuple(
                (value, number) for axis, number in numbers.items()
                if (value := rows[axis].value) is not None
            ),
            tuple(
                (rows[axis].said, number == 1) for axis, number in numbers.items()
                if rows[axis].motion is Motion.FLAG
            ),
            int(numbers[CLOCK]) if CLOCK in numbers else None,
        )  # fmt: skip

    def _pack(self, numbers: Mapping[int, float], at: At) -> str:
        if self.packs:
            return self.packs[int(numbers.get(PACK, hull(self.axes.rows[PACK].natural)[0][0]))].name
        said = [
            self._on_label(axis, numbers[axis]) for axis in at
            if self.axes.rows[axis].motion is Motion.STATIC and axis != PACK
        ]  # fmt: skip
        told = ", ".join(word for word in said if word)
        return f"a pack ({told})" if told else "any pack"

    def _on_label(self, axis: int, number: float) -> str:
        row = self.axes.rows[axis]
        if row.natural == span(0, 1):
            return row.said if number else f"not {row.said}"
        if row.said in ("cells", "capacity"):
            return f"{row.said} {number:g}" + (" Ah" if row.said == "capacity" else "")
        return f"{row.said} {self.axes.spoken.get((axis, int(number)), 'another')}"


def _counted(window: Duration, counts: Sequence[tuple[Duration, float]]) -> bool:
    """Whether there may have been so many in each of some windows, which ended so long ago."""
    # How many there ever were, at each end of each window: it only grows.
    ends = {(-ago, 1) for ago, _ in counts} | {(-ago - window, 0) for ago, _ in counts}
    ever = Net(range(len(ends)))
    place = {end: n for n, end in enumerate(sorted(ends))}
    for n in range(1, len(ends)):
        ever.bind(Link(n - 1, n, NOT_MORE))
    for ago, count in counts:
        last, first = place[-ago, 1], place[-ago - window, 0]
        ever.bind(Link(last, first, (count, 1)))
        ever.bind(Link(first, last, (-count, 1)))
    return ever.close()


def _risen(moments: Iterable[tuple[Duration, float]]) -> bool:
    """Whether a time since may have been so much, so long ago: from one to the next it goes on, or
    begins anew in between."""
    for (ago, then), (later, next_one) in pairwise(sorted(moments, reverse=True)):
        gap = ago - later
        goes_on = min(then + gap, NEVER) == min(next_one, NEVER)
        if not goes_on and next_one > gap:
            return False
    return True


def _is_one_number(ranges: Ranges) -> bool:
    return bool(ranges) and all(low == high < NEVER for (low, _), (high, _) in ranges)


def _ago(time: Duration, number: int) -> Duration:
    """A little less than so long ago, each time a little less; of any time, always the same."""
    return time + number if time >= NEVER else max(0, time - number * min(MINUTE, time // 64))

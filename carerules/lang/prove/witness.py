"""One state of the world out of a box: values that can be true together, for a pack there is.

Knows boxes and how values hang together. Does not know what a witness is to show.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import TypeAlias

from carerules.domain.action import clock
from carerules.domain.condition import (
    CountIn,
    CountSince,
    OverWindow,
    SignalValue,
    TimeSince,
    ValueOf,
    dimension_of,
)
from carerules.domain.moment import DAY, MINUTE, NEVER, WEEK, Duration, show_duration
from carerules.domain.pack import Pack
from carerules.domain.quantity import SWITCH, show
from carerules.domain.wording import DAY_NAMES, value_wording
from carerules.lang.prove import links as tied
from carerules.lang.prove.axes import CLOCK, PACK, Axes, Axis, Motion
from carerules.lang.prove.box import At, Box, Past, Work, meet_at, moments_of
from carerules.lang.prove.pick import pick
from carerules.lang.prove.ranges import holds, hull, meet, span, whole_numbers


@dataclass(frozen=True, slots=True)
class State:
    """Values at one instant: of signals and times, of flags by their wording, and the clock (ms of
    the week, Monday's midnight 0; None: any time)."""

    values: tuple[tuple[ValueOf, float], ...] = ()
    flags: tuple[tuple[str, bool], ...] = ()
    clock: int | None = None

    def show(self) -> str:
        """`pack.soc = 96 %, time until use = 3 d, fri at 22:30`."""
        said = [_say(value, number) for value, number in self.values]
        said += [flag if yes else f"not ({flag})" for flag, yes in self.flags]
        if self.clock is not None:
            day, rest = divmod(self.clock, DAY)
            said.append(f"{DAY_NAMES[day]} at {clock(rest // MINUTE)}")
        return ", ".join(said) or "any values"


@dataclass(frozen=True, slots=True)
class Witness:
    """A state that shows it, for a pack: its name, or what its label must say.

    `before` are the states that must have been so long ago.
    """

    pack: str
    state: State
    before: tuple[tuple[Duration, State], ...] = ()

    def show(self) -> str:
        """In one line."""
        told = [f"{self.pack} at {self.state.show()}"]
        for time, state in self.before:
            when = "some time before" if time >= NEVER else f"{show_duration(time)} before"
            told.append(f"{when} {state.show()}")
        return "; ".join(told)


class Maybe(Enum):
    """Instead of a witness: there is none, or it cannot be said whether there is one."""

    NO = "no"
    UNSURE = "unsure"


Answer: TypeAlias = Witness | Maybe

PACKS_TRIED_MAX = 64
"""Packs of one box that are tried one by one, where their labels matter: a large site has as many
kinds at most."""


class Finder:
    """Finds witnesses in boxes. `packs` empty: the site is not known."""

    def __init__(self, axes: Axes, packs: Sequence[Pack], work: Work) -> None:
        self.axes = axes
        self.packs = packs
        self.work = work

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
            return Maybe.UNSURE if box.loose else self._witness(box, numbers)
        answer = Maybe.NO
        for at in tied.cases(narrowed, self.axes):
            for pack, one in self._for_packs(at):
                found = self._numbers(one, pack)
                if isinstance(found, Maybe):
                    answer = Maybe.UNSURE if Maybe.UNSURE in (answer, found) else Maybe.NO
                elif box.loose:
                    return Maybe.UNSURE
                else:
                    return self._witness(box, found)
        return answer

    def _tangled(self, box: Box) -> bool:
        """Whether several values of one event meet, one of them in the past: a count falls by
        itself as time goes on, and this is not followed."""
        rows = self.axes.rows
        before = {axis for past in box.past for at in past.ats for axis in at}
        looked_back = {event for axis in before for event in _events(rows[axis])}
        told = [event for axis in before.union(box.at) for event in set(_events(rows[axis]))]
        return any(told.count(event) > 1 for event in looked_back) or self._counts_down(box)

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
        """What a signal was all the time bounds what its window can be."""
        at = box.at
        for axis in tuple(at):
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

    def _for_packs(self, at: At) -> Iterator[tuple[Pack | None, At]]:
        if not tied.needs_label(at, self.axes) or not self.packs:
            yield None, at
            return
        wanted = at.get(PACK, self.axes.rows[PACK].natural)
        tried = [n for n in range(len(self.packs)) if holds(wanted, n)][:PACKS_TRIED_MAX]
        for number in tried:
            yield self.packs[number], {**at, PACK: span(number, number)}

    def _numbers(self, at: At, pack: Pack | None) -> dict[int, float] | Maybe:
        if pack is None and tied.needs_label(at, self.axes):
            return Maybe.UNSURE
        self.work.spend()
        at = tied.spread_out(at, self.axes)
        bound: list[tied.Link] = list(tied.links(at, self.axes))
        factors: Mapping[int, float] = {}
        if pack is not None:
            at, more, factors = tied.by_label(at, self.axes, pack)
            bound += more
        numbers: dict[int, float] = {}
        for axes in tied.hanging_together(at, bound):
            found = self._in_net(at, axes, [link for link in bound if link.x in axes], factors)
            if isinstance(found, Maybe):
                return found
            numbers.update(found)
        for axis, factor in factors.items():
            numbers[axis] *= factor
        return Maybe.UNSURE if self._doubtful(numbers) else numbers

    def _in_net(
        self, at: At, axes: Sequence[int], bound: Sequence[tied.Link], factors: Mapping[int, float]
    ) -> dict[int, float] | Maybe:
        """Values of some axes that hang together, one picked after the other."""
        rows = self.axes.rows
        if len(axes) == 1:
            return {axes[0]: pick(at[axes[0]], rows[axes[0]])}
        net = tied.Net(axes)
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
            net.lie(axis, span(numbers[axis], numbers[axis])[0])
            if not net.close():
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

    # ---- telling ---------------------------------------------------------------------------

    def _witness(self, box: Box, numbers: Mapping[int, float]) -> Witness:
        moments: list[tuple[Past, At]] = []
        for one in box.past:
            if one.always or any(self._is_now(at, numbers) for at in one.ats):
                continue
            at = moments_of(one, box.past, self.work)[0]
            for n, (other, its) in enumerate(moments):
                both = meet_at(at, its) if one.time == other.time else None
                if both is not None:  # they may as well have been so at the same moment
                    moments[n] = other, both
                    break
            else:
                moments.append((one, at))
        before: list[tuple[Duration, State]] = []
        for one, at in moments:
            then = {axis: pick(r, self.axes.rows[axis]) for axis, r in at.items()}
            ago, moved = self._when(one, at, numbers, {time for time, _ in before})
            before.append((ago, self._state({**then, **moved})))
        return Witness(self._pack(numbers, box.at), self._state(numbers), tuple(before))

    def _when(
        self, once: Past, at: At, numbers: Mapping[int, float], taken: set[Duration]
    ) -> tuple[Duration, dict[int, float]]:
        """How long ago it was so, and where a value that moves by itself was then. Two things that
        contradict were not so at the same moment."""
        for axis, ranges in at.items():
            motion = self.axes.rows[axis].motion
            if axis not in numbers or motion not in _MOVING:
                continue
            for (low, after), (high, _) in ranges:
                longest = numbers[axis] - once.time
                if motion is Motion.CLOCK:
                    longest %= WEEK
                for then in (longest, low + after, (low + high) // 2, high - 1):
                    gone = numbers[axis] - then
                    if motion is Motion.CLOCK:
                        gone %= WEEK
                    if 0 <= gone <= once.time and holds(ranges, then) and gone not in taken:
                        return round(gone), {axis: then}
        numbered = (_ago(once.time, n) for n in range(len(taken) + 1))
        return next(ago for ago in numbered if ago not in taken), {}

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


_MOVING = (Motion.CLOCK, Motion.RISING, Motion.AGEING)


def _events(row: Axis) -> tuple[str, ...]:
    """The events that a value tells of."""
    match row.value:
        case TimeSince(event) | CountIn(event, _):
            return (event,)
        case CountSince(event, since):
            return event, since
        case _:
            return ()


def _ago(time: Duration, number: int) -> Duration:
    """A little less than so long ago, each time a little less; of any time, always the same."""
    return time + number if time >= NEVER else max(0, time - number * min(MINUTE, time // 64))


def _say(value: ValueOf, number: float) -> str:
    dimension = dimension_of(value)
    if dimension == SWITCH:
        return f"{value_wording(value)} is {show(number, dimension)}"
    return f"{value_wording(value)} = {show(number, dimension)}"

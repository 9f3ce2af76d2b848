"""Times since and until, and counts, as columns: what events and plans come to between them.

Knows happenings and uses. Does not know what they are compared with. Lines as engine/value reckons
them, one row wherever the line bends.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Sequence
from typing import TypeAlias

import numpy as np

from carerules.domain.condition import CountIn, CountSince, TimeSince, TimeUntilUse
from carerules.domain.moment import NEVER, Moment
from carerules.replay.tape import Column, Tape, Told

Row: TypeAlias = tuple[Moment, int, float, Moment, float]
"""Moment, order, value, since when the value counts, slope a millisecond."""
Counted: TypeAlias = TimeSince | TimeUntilUse | CountSince | CountIn


def column_of(tape: Tape, value: Counted) -> Column:
    """The value for each pack, as a column that holds for the whole of the tape."""
    rows_of = _maker(value)
    first, rows = [0], list[Row]()
    for pack in tape.packs:
        told = tape.told.get(pack, ())
        begin = Told(tape.begins, 0, {}, ())
        if not told or (told[0].moment, told[0].order) > (tape.begins, 0):
            told = (begin, *told)
        rows += _in_turn(told, rows_of, tape.ends)
        first.append(len(rows))
    moment, order, number, since, slope = zip(*rows, strict=True) if rows else ((),) * 5
    return Column(
        np.array(first), np.array(moment, np.int64), np.array(number, np.float64),
        np.array(order, np.int64), np.array(since, np.int64), np.array(slope, np.float64),
    )  # fmt: skip


def _in_turn(
    told: Sequence[Told], rows_of: Callable[[Told], Iterator[Row]], ends: Moment
) -> Iterator[Row]:
    """The rows that follow from each state of the facts, as far as the next state."""
    for at, state in enumerate(told):
        until = (ends + 1, 0)
        if at + 1 < len(told):
            until = (told[at + 1].moment, told[at + 1].order)
        for row in rows_of(state):
            if (row[0], row[1]) < until:
                yield row


def _maker(value: Counted) -> Callable[[Told], Iterator[Row]]:
    match value:
        case TimeSince(event):
            return lambda told: _time_since(told, event)
        case TimeUntilUse():
            return _time_until_use
        case CountSince(event, since):
            return lambda told: _count_since(told, event, since)
        case CountIn(event, time):
            return lambda told: _count_in(told, event, time)


def _time_since(told: Told, event: str) -> Iterator[Row]:
    times = told.happened.get(event, ())
    if times:
        yield told.moment, told.order, 0.0, times[-1], 1.0
    else:
        yield told.moment, told.order, float(NEVER), told.moment, 0.0


def _time_until_use(told: Told) -> Iterator[Row]:
    moment, order = told.moment, told.order
    for start in told.uses[bisect_left(told.uses, moment) :]:
        if start >= moment:  # two at one time: the later row has nothing to say
            yield moment, order, 0.0, start, -1.0
            moment, order = start + 1, 0
    yield moment, order, float(NEVER), moment, 0.0


def _count_since(told: Told, event: str, since: str) -> Iterator[Row]:
    times, marks = told.happened.get(event, ()), told.happened.get(since, ())
    count = len(times) - bisect_right(times, marks[-1]) if marks else len(times)
    yield told.moment, told.order, float(count), told.moment, 0.0


def _count_in(told: Told, event: str, time: int) -> Iterator[Row]:
    times = told.happened.get(event, ())
    moment, order = told.moment, told.order
    first = bisect_left(times, moment - time)
    yield moment, order, float(len(times) - first), moment, 0.0
    for at in range(first, len(times)):
        leaves = times[at] + time + 1
        if at + 1 == len(times) or times[at + 1] != times[at]:  # those of one instant go together
            yield leaves, 0, float(len(times) - at - 1), leaves, 0.0

"""A column against a limit: where on the axis the comparison holds.

Knows columns and ages. Does not know conditions. The one place that goes over every row: a pass for
each distinct comparison, and one for each signal to find where it is unknown, grows stale or moves.
A comparison of 2.9 million rows with its changes takes 2.2 ms; to sort each row between all limits
of a signal at once took 15 ms a side, however many limits: worth it from some eighteen a signal on.
"""

from __future__ import annotations

import numpy as np

from carerules.domain.condition import Op
from carerules.domain.frozen import guarded
from carerules.domain.moment import Duration
from carerules.replay.steps import UNKNOWN, YES, Steps, all_of, not_, tidy
from carerules.replay.tape import Axis, Bools, Column, Floats, Ints, in_order

_OPS = {
    "<": np.less, "<=": np.less_equal, ">": np.greater, ">=": np.greater_equal,
}  # fmt: skip


@guarded
class Laid:
    """A column laid on the axis: what every comparison of it needs.

    `value` is each row's value as the row begins. `marked` are the rows from which on the truth
    must be told anew whatever was before; `stale` where a reading has grown too old; `moving` the
    rows whose value moves, with the last moment of each.
    """

    axis: Axis
    column: Column
    value: Floats
    marked: Ints
    stale: Ints
    moving: Ints
    moving_last: Ints

    def place(self, rows: Ints) -> Ints:
        """Where on the axis rows begin."""
        column = self.column
        pack = np.searchsorted(column.first, rows, side="right") - 1
        order = 0 if column.order is None else column.order[rows]
        return self.axis.place(pack, column.moment[rows], order)


def lay(axis: Axis, column: Column, max_age: Duration | None) -> Laid:
    """Find what is special about a column: beginnings, gaps, and values that move."""
    begins = column.first[:-1][column.first[:-1] < column.first[1:]]
    value = column.value
    moves = np.flatnonzero(column.slope) if column.slope is not None else _NO_ROWS
    if column.slope is not None and column.since is not None and len(moves):
        value = value.copy()
        value[moves] += column.slope[moves] * (column.moment[moves] - column.since[moves])
    unknown = np.flatnonzero(np.isnan(value))
    laid = Laid(axis, column, value, _NO_ROWS, _NO_ROWS, moves, _NO_ROWS)
    old, stale = _grown_stale(laid, max_age)
    after = np.concatenate((unknown, old, moves)) + 1
    marked = in_order(begins, unknown, after[after < len(value)])
    return Laid(axis, column, value, marked, stale, moves, _last_moments(laid, max_age))


_NO_ROWS: Ints = np.empty(0, np.int64)


def _next_places(laid: Laid, rows: Ints) -> Ints:
    """Where the rows end: at the next one of the pack, or with the pack's time."""
    pack = np.searchsorted(laid.column.first, rows, side="right") - 1
    last = rows + 1 >= laid.column.first[pack + 1]
    following = laid.place(np.minimum(rows + 1, len(laid.column.moment) - 1))
    return np.where(last, (pack + 1) * laid.axis.span, following)


def _grown_stale(laid: Laid, max_age: Duration | None) -> tuple[Ints, Ints]:
    """The rows that grow too old before the next, and the place at which each does."""
    column = laid.column
    if max_age is None or not len(column.moment):
        return _NO_ROWS, _NO_ROWS
    since = column.moment if column.since is None else column.since
    late = np.flatnonzero(column.moment[1:] - since[:-1] > max_age)
    lasts = column.first[1:][column.first[1:] > column.first[:-1]] - 1
    rows = in_order(late, lasts)
    pack = np.searchsorted(column.first, rows, side="right") - 1
    # An age of exactly max_age is still fresh. One that was old already is never known.
    moment = np.minimum(since[rows] + max_age + 1, laid.axis.ends + 1)
    place = np.maximum(laid.axis.place(pack, moment), laid.place(rows))
    stale = place < _next_places(laid, rows)
    return rows[stale], place[stale]


def _last_moments(laid: Laid, max_age: Duration | None) -> Ints:
    """The last whole millisecond of each row that moves."""
    rows = laid.moving
    if not len(rows):
        return _NO_ROWS
    pack = np.searchsorted(laid.column.first, rows, side="right") - 1
    before = _next_places(laid, rows) - 1 - pack * laid.axis.span
    last = (before >> laid.axis.bits) + laid.axis.begins
    if max_age is not None:
        since = laid.column.moment if laid.column.since is None else laid.column.since
        last = np.minimum(last, since[rows] + max_age)
    return last


def compared(laid: Laid, op: Op, limit: float) -> Steps:
    """Where the signal is so against the limit (in its base unit)."""
    if op == "=":
        return all_of(laid.axis, [compared(laid, ">=", limit), compared(laid, "<=", limit)])
    if op == "!=":
        return not_(compared(laid, "=", limit))
    judge = _OPS[op]
    true: Bools = judge(laid.value, limit)
    changes = np.flatnonzero(true[1:] != true[:-1]) + 1
    rows = in_order(changes, laid.marked) if len(laid.marked) else changes
    truth = np.where(np.isnan(laid.value[rows]), UNKNOWN, true[rows] * YES)
    turn_at, turn_truth = _turns(laid, judge, limit, true)
    return tidy(
        laid.axis,
        np.concatenate((laid.place(rows), turn_at, laid.stale)),
        np.concatenate((truth, turn_truth, np.full(len(laid.stale), UNKNOWN))),
    )


def _turns(laid: Laid, judge: np.ufunc, limit: float, true: Bools) -> tuple[Ints, Ints]:
    """Where a value that moves passes the limit, to the millisecond, and the truth from there.

    It moves one way only, rounding included; so that there is one such place a row, found by
    halving with the very arithmetic of the engine.
    """
    column = laid.column
    if not len(laid.moving):
        return _NO_ROWS, _NO_ROWS
    assert column.slope is not None
    since_of = column.moment if column.since is None else column.since

    def at(rows: Ints, moment: Ints) -> Bools:
        assert column.slope is not None
        value = column.value[rows] + column.slope[rows] * (moment - since_of[rows])
        found: Bools = judge(value, limit)
        return found

    last = laid.moving_last
    turns = (last > column.moment[laid.moving]) & (at(laid.moving, last) != true[laid.moving])
    turns &= ~np.isnan(laid.value[laid.moving])
    rows, high = laid.moving[turns], last[turns]
    low, then = column.moment[rows], at(rows, high)
    while len(rows) and (high - low).max() > 1:
        middle = (low + high) // 2
        turned = at(rows, middle) == then
        high, low = np.where(turned, middle, high), np.where(turned, low, middle)
    pack = np.searchsorted(column.first, rows, side="right") - 1
    return laid.axis.place(pack, high), then * YES

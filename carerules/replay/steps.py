"""Three-valued step functions of all packs' time, and what the language makes of them.

Knows yes, no, unknown and places on the axis. Does not know signals or rules. Each function costs
as much as its changes are many, however long it lasts. The meaning of each is that of
engine/expression and engine/hold, where it is told; here it is done to a whole past at once.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from carerules.domain.frozen import guarded
from carerules.domain.moment import Duration
from carerules.domain.quantity import Truth
from carerules.replay.tape import Axis, Bools, Ints, in_order

NO, UNKNOWN, YES = (int(truth) for truth in Truth)


@guarded
class Steps:
    """From each place `at` on, the `truth`, up to the next place.

    In order; the beginning of every pack's stretch is among them, and otherwise each differs from
    the one before it.
    """

    at: Ints
    truth: Ints

    def ends(self, axis: Axis) -> Ints:
        """Where each step ends: at the next, or where the last pack's time does."""
        return np.append(self.at[1:], axis.span * axis.packs)


def tidy(axis: Axis, at: Ints, truth: npt.NDArray[np.integer]) -> Steps:
    """Steps of places in any order: of those at one place the last told counts.

    The beginning of each pack's stretch is unknown where nothing is told of it.
    """
    at = np.concatenate((axis.origins(), at))
    truth = np.concatenate((np.full(axis.packs, UNKNOWN), truth))
    order = np.argsort(at, kind="stable")
    at, truth = at[order], truth[order]
    last = np.append(at[1:] != at[:-1], True)
    return _merged(axis, at[last], truth[last])


def _merged(axis: Axis, at: Ints, truth: Ints) -> Steps:
    news = _led(truth[1:] != truth[:-1], len(at)) | (at % axis.span == 0)
    return Steps(at[news], truth[news])


def all_of(axis: Axis, parts: Sequence[Steps]) -> Steps:
    """Kleene's *and*: the least of them."""
    return _together(axis, parts, np.minimum)


def any_of(axis: Axis, parts: Sequence[Steps]) -> Steps:
    """Kleene's *or*: the greatest of them."""
    return _together(axis, parts, np.maximum)


def _together(axis: Axis, parts: Sequence[Steps], choose: np.ufunc) -> Steps:
    if len(parts) == 1:
        return parts[0]
    at = in_order(*(part.at for part in parts))
    truth: Ints = at_places(parts[0], at)
    for part in parts[1:]:
        truth = choose(truth, at_places(part, at))
    return _merged(axis, at, truth)


def at_places(steps: Steps, at: Ints) -> Ints:
    """The truth at each place."""
    return steps.truth[np.searchsorted(steps.at, at, side="right") - 1]


def not_(steps: Steps) -> Steps:
    """Yes and no change places."""
    return Steps(steps.at, YES - steps.truth)


def tiled(axis: Axis, one: Steps) -> Steps:
    """What is so for one pack's stretch, for every pack's."""
    at = (axis.origins()[:, None] + one.at[None, :]).ravel()
    return Steps(at, np.tile(one.truth, axis.packs))


def held(axis: Axis, part: Steps, time: Duration, bridge: Duration) -> Steps:
    """`part for time`: each run of yes loses its first `time`; what is left of it is yes.

    An unknown between two yeses that is shorter than `bridge` does not break a run.
    """
    at, truth, end = part.at, part.truth, part.ends(axis)
    yes = np.flatnonzero(truth == YES)
    held_from = np.maximum(at[yes], axis.later(_run_starts(axis, part, yes, bridge), time))
    lasts = held_from < end[yes]
    return tidy(
        axis,
        np.concatenate((at, held_from[lasts])),
        np.concatenate((np.where(truth == UNKNOWN, UNKNOWN, NO), np.full(lasts.sum(), YES))),
    )


def _run_starts(axis: Axis, part: Steps, yes: Ints, bridge: Duration) -> Ints:
    """Where the run that each yes belongs to begins: with itself, or before a bridged gap."""
    if not len(yes):
        return yes
    at = part.at
    gap = yes[1:] - 1  # the step before each yes but the first
    linked = (yes[1:] - yes[:-1] == 2) & (part.truth[gap] == UNKNOWN)
    linked &= axis.pack(at[yes[1:]]) == axis.pack(at[yes[:-1]])
    linked &= axis.moment(at[yes[1:]]) - axis.moment(at[gap]) < bridge
    begins = np.where(np.append(False, linked), 0, np.arange(len(yes)))
    return at[yes[np.maximum.accumulate(begins)]]


def was(axis: Axis, part: Steps, time: Duration) -> Steps:
    """`part in last time`: each run of yes lasts `time` longer, and where none does, each unknown.

    What lay before the first look counts as no.
    """
    return any_of(axis, [_prolonged(axis, part, truth, time) for truth in (YES, UNKNOWN)])


def _prolonged(axis: Axis, part: Steps, truth: int, time: Duration) -> Steps:
    at = np.flatnonzero(part.truth == truth)
    start, end = part.at[at], part.ends(axis)[at]
    end = np.maximum(end, axis.later_end(start, end, time))
    other = axis.pack(start[1:]) != axis.pack(start[:-1])
    first = np.flatnonzero(_led((start[1:] > end[:-1]) | other, len(start)))
    last = np.append(first[1:], len(start))[: len(first)] - 1
    start, end = start[first], end[last]
    inside = end < axis.span * axis.packs
    none = axis.origins()
    return tidy(
        axis,
        np.concatenate((none, end[inside], start)),
        np.concatenate((np.full(len(none) + inside.sum(), NO), np.full(len(start), truth))),
    )


def crossed(axis: Axis, beyond: Steps) -> Steps:
    """`rises above`, `falls below`: beyond the level, the near side having been seen before."""
    number = np.arange(len(beyond.at))
    near = np.maximum.accumulate(np.where(beyond.truth == NO, number, -1))
    seen = (near >= 0) & (axis.pack(beyond.at[near]) == axis.pack(beyond.at))
    truth = np.where((beyond.truth == YES) & ~seen, NO, beyond.truth)
    return _merged(axis, beyond.at, truth)


def fires(axis: Axis, when: Steps) -> Ints:
    """Where a rule fires: where its condition becomes yes, having been no since it last did.

    The places on the line, in order.
    """
    known = when.truth != UNKNOWN
    at, yes = when.at[known], when.truth[known] == YES
    fresh = (axis.pack(at[1:]) != axis.pack(at[:-1])) | ~yes[:-1]
    found: Ints = at[yes & _led(fresh, len(at))]
    return found


def fires_rearmed(axis: Axis, when: Steps, rearm: Steps) -> Ints | None:
    """Where a rule fires that is armed again by a condition of its own: places, in order.

    None: both were yes at one instant; then what came in which order would have to be gone through.
    """
    if (all_of(axis, [when, rearm]).truth == YES).any():
        return None
    at = when.at[when.truth == YES]
    arms = rearm.at[rearm.truth == YES]
    armed = np.searchsorted(arms, at)  # how often before each
    pack = axis.pack(at)
    again = (armed[1:] > armed[:-1]) | (pack[1:] != pack[:-1])
    found: Ints = at[_led(again, len(at))]
    return found


def _led(rest: Bools, length: int) -> Bools:
    """Whether each is a beginning, given so of all but the first, which always is."""
    led = np.ones(length, np.bool_)
    led[1:] = rest
    return led

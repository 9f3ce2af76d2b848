"""Whether a pack rests, since when, and whether its voltage may be read as a rested one.

Knows currents and voltages. Does not know charge.
"""

from __future__ import annotations

from math import hypot
from typing import NamedTuple

from carerules.battery.charge import relaxation_v
from carerules.battery.track import LONG_AGO, Track
from carerules.domain.moment import DAY, MINUTE, MONTH, Duration, Moment
from carerules.domain.signal import MEASURED_MAX_AGE

REST_MIN: Duration = 5 * MINUTE
"""Sooner after a current no voltage sets the charge, unless it is a single entry by hand."""

MOVED_V = 0.015
"""A voltage that moves further, V a cell, while no current is told of: something flows."""

MOVED_V_MONTH = 0.02
"""What self-discharge may move a rest voltage by in a month, V a cell (2 points, at 10 mV each)."""

LOOK_AGAIN: Duration = 10 * MINUTE
"""After a voltage that contradicts the count, the next that may confirm it."""


class Rest(NamedTuple):
    """`since` None: current flows (`flowing`), or nobody has said anything yet.

    `ref_v` is the voltage of a cell that later ones are held against (0: none yet), `looked`
    whether a voltage was read in this rest, `next_look` when the next is worth reading.
    """

    since: Moment | None = None
    flowing: bool = False
    ref_v: float = 0.0
    ref_at: Moment = LONG_AGO
    looked: bool = False
    next_look: Moment = LONG_AGO


def settled(rest: Rest, track: Track, at: Moment) -> Rest:
    """The rest as the currents known at `at` leave it."""
    if track.is_flowing(at):
        return rest if rest.flowing else Rest(flowing=True)
    if rest.flowing or (rest.since is None and track.is_live(at)):
        return Rest(since=at)
    return rest


def restarted(rest: Rest, at: Moment) -> Rest:
    """The rest begun anew at `at`: a person or the voltage says that something flowed."""
    if rest.flowing or (rest.since is not None and rest.since >= at):
        return rest
    return Rest(since=at)


def looked_at(
    rest: Rest, track: Track, at: Moment, heard: Moment, cell_v: float, meter_v: float
) -> tuple[Rest, float | None]:
    """The rest after a voltage was heard, and its doubt (V a cell) if it is to be read as rested.

    Not asked while current flows: a loaded voltage never is. A voltage heard alone (`heard` is the
    one before), as entered by hand, is read at once, with the widest doubt; in a stream of them
    without a current, only after it has stood still. In one rest it is read again when the rest has
    doubled, or a day later.
    """
    assert not rest.flowing
    if at < heard:
        return rest, None
    step_v = cell_v - rest.ref_v
    if at < rest.next_look and -MOVED_V <= step_v <= MOVED_V:
        return rest, None
    since = rest.since
    live = track.is_live(at)
    alone = at - heard > MEASURED_MAX_AGE and not live
    moved_v = max(MOVED_V, 3 * meter_v) + MOVED_V_MONTH * (at - rest.ref_at) / MONTH
    moved = rest.ref_v != 0.0 and abs(step_v) > moved_v
    if since is None or (moved and not live):
        since = at
    if moved or rest.ref_v == 0.0:
        rest = Rest(since, False, cell_v, at, rest.looked)
    rested = at - since
    if at < rest.next_look or (not alone and (moved or rested < REST_MIN)):
        return rest, None
    later = at + min(max(rested, REST_MIN), DAY)
    rest = Rest(since, False, cell_v, at, True, later)
    return rest, hypot(relaxation_v(rested), meter_v)

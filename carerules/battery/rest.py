"""Whether a pack rests, since when, and whether its voltage may be read as a rested one.

Knows currents and voltages. Does not know charge.
"""

from __future__ import annotations

from math import hypot, log2
from typing import NamedTuple

from carerules.battery.charge import relaxation_v
from carerules.battery.track import LONG_AGO, Track
from carerules.domain.moment import DAY, MINUTE, MONTH, Duration, Moment
from carerules.domain.signal import MEASURED_MAX_AGE

REST_MIN: Duration = 5 * MINUTE
"""Sooner after a current no voltage sets the charge, unless it is a single entry by hand (no
source)."""

MOVED_V = 0.015
"""A voltage that moves further, V a cell, while no current is told of: something flows
(no source)."""

MOVED_V_MONTH = 0.02
"""What self-discharge may move a rest voltage by in a month, V a cell (2 points, at 10 mV each:
from memory)."""

PEEK: Duration = 2 * MINUTE
"""From here on a voltage still creeping shows how far it has to go; sooner it is the inner
resistance that lets go (from memory)."""

CREEP: Duration = 15 * MINUTE
CREEP_SHARE = (0.5, 1.5)
"""How far a voltage has still to go, in parts of what it moved while the rest last doubled: a slow
end of a quarter of an hour or so. Fitted by eye to the 40 °C runs of the 30 Ah pouch cell, doi
10.5281/zenodo.2580327, and held against its 25 and 10 °C runs, which creep two and four times as
far: so the cold, which no table here knows, shows itself."""

CREEP_MAX = 2.0
"""The furthest that a creep is followed, in parts of the table's doubt: beyond, the meter hops
(judgement, no source)."""

LOOK_AGAIN: Duration = 10 * MINUTE
"""After a voltage that contradicts the count, the next that may confirm it (our choice)."""


class Rest(NamedTuple):
    """`since` None: current flows (`flowing`), or nobody has said anything yet.

    `lean` is 1 where what last flowed charged the pack, -1 where it drained it, 0: unknown.
    `ref_v` is the voltage of a cell that later ones are held against (0: none yet), `looked`
    whether a voltage was read in this rest, `next_look` when the next is worth reading. `apart`
    and `before_spread` keep the count from before the rest: how far it lay from what was taken
    since, and its doubt (points; 0: it is of no account).
    """

    since: Moment | None = None
    flowing: bool = False
    lean: float = 0.0
    ref_v: float = 0.0
    ref_at: Moment = LONG_AGO
    looked: bool = False
    next_look: Moment = LONG_AGO
    apart: float = 0.0
    before_spread: float = 0.0


class Look(NamedTuple):
    """A voltage to be read as rested: where it will come to rest, and the doubt (V a cell)."""

    cell_v: float
    doubt_v: float


def settled(rest: Rest, track: Track, at: Moment) -> Rest:
    """The rest as the currents known at `at` leave it."""
    if track.is_flowing(at):
        lean = 1.0 if (track.flow_a if track.is_live(at) else track.cell_w) > 0 else -1.0
        return rest if rest.flowing and rest.lean == lean else Rest(flowing=True, lean=lean)
    if rest.flowing or (rest.since is None and track.is_live(at)):
        return Rest(since=at, lean=rest.lean)
    return rest


def restarted(rest: Rest, at: Moment, lean: float) -> Rest:
    """The rest begun anew at `at`: somebody says that something flowed, `lean` which way (1, 0,
    -1)."""
    if rest.flowing or (rest.since is not None and rest.since >= at):
        return rest
    return Rest(since=at, lean=lean)


def is_as_before(rest: Rest, at: Moment, heard: Moment, cell_v: float) -> bool:
    """Whether a voltage says nothing that the rest has not: late, or as it was, and its time to be
    read again not come."""
    return at < heard or (at < rest.next_look and -MOVED_V <= cell_v - rest.ref_v <= MOVED_V)


def looked_at(
    rest: Rest,
    track: Track,
    at: Moment,
    heard: Moment,
    cell_v: float,
    meter_v: float,
    slow: float = 1.0,
) -> tuple[Rest, Look | None]:
    """The rest after a voltage was heard, and what to read off it if it is to be read as rested.

    Not asked while current flows: a loaded voltage never is. A voltage heard alone (`heard` is the
    one before), as entered by hand, is read at once, with the widest doubt; in a stream of them
    without a current, only after it has stood still. In one rest it is read again when the rest has
    doubled, or a day later. `slow`: how many times as far it creeps as at 25 °C.
    """
    assert not rest.flowing
    if is_as_before(rest, at, heard, cell_v):
        return rest, None
    step_v = cell_v - rest.ref_v
    since = rest.since
    live = track.is_live(at)
    alone = at - heard > MEASURED_MAX_AGE and not live
    moved_v = max(MOVED_V, 3 * meter_v) + MOVED_V_MONTH * (at - rest.ref_at) / MONTH
    moved = rest.ref_v != 0.0 and abs(step_v) > moved_v
    if since is None or (moved and not live):
        since = at
        if moved:
            rest = rest._replace(lean=0.0)  # something flowed, and nobody says which way
    rested = at - since
    peeks = live and not rest.looked and rested >= PEEK > rest.ref_at - since
    if moved or peeks or rest.ref_v == 0.0:
        rest = rest._replace(since=since, ref_v=cell_v, ref_at=at, next_look=LONG_AGO)
    if at < rest.next_look or (not alone and (moved or rested < REST_MIN)):
        return rest, None
    look = _settling(rest.ref_at - since if live else 0, rest.ref_v, rested, cell_v, meter_v, slow)
    later = at + min(max(rested, REST_MIN), DAY)
    rest = rest._replace(since=since, ref_v=cell_v, ref_at=at, looked=True, next_look=later)
    return rest, Look(look.cell_v, hypot(look.doubt_v, meter_v))


def _settling(
    before: Duration,
    before_v: float,
    rested: Duration,
    cell_v: float,
    meter_v: float,
    slow: float,
) -> Look:
    """Where a voltage that was `before_v` at `before` into the rest will end; 0: unknown.

    Six tenths of what a meter is trusted to are taken to waver: a step no larger tells little.
    That, how far apart two looks must lie, and what stays in doubt are judgement, no source.
    """
    doubt_v = slow * relaxation_v(rested)
    if before < PEEK or rested < 1.4 * before:
        return Look(cell_v, doubt_v)
    least, most = CREEP_SHARE
    share = min(most, max(least, CREEP / rested))
    square = (cell_v - before_v) ** 2
    sure = square / (square + 0.36 * meter_v * meter_v) if square > 0.0 else 0.0
    creep_v = sure * share * (cell_v - before_v) / log2(rested / before)
    creep_v = min(CREEP_MAX * doubt_v, max(-CREEP_MAX * doubt_v, creep_v))
    return Look(cell_v + creep_v, hypot(0.5 * doubt_v, 0.4 * creep_v))

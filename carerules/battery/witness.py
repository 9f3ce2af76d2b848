"""The two witnesses of a charge: somebody who states it, and the voltage of a rested pack.

Knows the count and the rest. Does not know how either is kept.
"""

from __future__ import annotations

from math import hypot
from typing import NamedTuple

from carerules.battery import rest as resting
from carerules.battery import track as counting
from carerules.battery.charge import read_curve
from carerules.battery.chemistry import Chemistry
from carerules.battery.measured import CELL_METER_V, imbalance
from carerules.battery.rest import LOOK_AGAIN, Rest
from carerules.battery.screen import Doubts
from carerules.battery.track import REST_VOLTAGE, Track
from carerules.domain.event import Sample, Value
from carerules.domain.moment import Moment
from carerules.domain.pack import Pack
from carerules.domain.quantity import Known, Reading
from carerules.domain.signal import MEASURED_MAX_AGE

STATED_SPREAD = 5.0
"""Points: what a gauge or a person who states a charge is trusted to, where they do not say."""

STATED_SPREAD_MIN = 0.5
"""Points: nobody knows a charge better."""

SAME = 0.01
"""Points: a gauge that repeats itself says nothing new."""

CLEARLY_SIGMAS = 2.0
"""Two statements further apart than this, in both their spreads, do not speak of one charge."""

GAUGE_FLOW = 2.0
"""Points within ten minutes: a gauge that moves so far tells of a current (C/8 and more)."""


class Gauge(NamedTuple):
    """The last charge that somebody stated (%)."""

    value: float
    at: Moment
    source: str


def stated(
    track: Track,
    rest: Rest,
    doubts: Doubts,
    gauge: Gauge | None,
    chemistry: Chemistry,
    sample: Sample,
    said: Value,
) -> tuple[Track, Rest, Doubts]:
    """The count after a gauge or a person stated the charge; `gauge` is the statement before.

    While nothing else tells of a current, a gauge that moves is counted like one.
    """
    at, source, charge = sample.at, sample.source, said.value
    spread = max(STATED_SPREAD_MIN, said.spread or STATED_SPREAD)
    if at < track.flowed or at < track.anchored:
        return track, rest, doubts  # what is known is newer
    alone = not track.is_live(at) and track.cell_w == 0.0
    if gauge and gauge.source == source and alone and 0 < at - gauge.at <= MEASURED_MAX_AGE:
        if track.witness != source:
            track = counting.moved_by_gauge(track, charge - gauge.value)
        if abs(charge - gauge.value) >= GAUGE_FLOW:
            rest = resting.restarted(rest, at)
    kept = track.charge
    if kept is not None and counting.contradicts(track, chemistry, charge, spread):
        why = f"`pack.soc`: found `{charge:.4g} %`, wanted about {kept:.4g} % by {track.witness}"
        doubts = {**doubts, "pack.soc": why}
        # A voltage read in this very rest is physical; a statement does not overrule it.
        if track.witness == REST_VOLTAGE and rest.looked:
            return track, rest, doubts
    elif track.witness == source:
        if kept is not None and track.net == 0.0 and abs(charge - kept) < SAME:
            return track, rest, doubts
        # Its own newer word: the same error, a newer truth.
        return counting.anchored(track, charge, spread, at, source), rest, doubts
    elif _newer_word(track, chemistry, charge, spread):
        return counting.anchored(track, charge, spread, at, source), rest, doubts
    return counting.weighed(track, chemistry, charge, spread, at, source), rest, doubts


def _newer_word(track: Track, chemistry: Chemistry, charge: float, spread: float) -> bool:
    """Whether a word clearly differs from an earlier one: then the newer counts. What was said to
    be full this morning may have been used since, and nobody said so."""
    if track.charge is None or track.witness == REST_VOLTAGE:
        return False
    return abs(charge - track.charge) > CLEARLY_SIGMAS * hypot(track.spread(chemistry), spread)


def rested(
    readings: dict[str, Reading],
    track: Track,
    rest: Rest,
    doubts: Doubts,
    pack: Pack,
    chemistry: Chemistry,
    sample: Sample,
    pack_v: Value | None,
    cells: tuple[float, ...],
    heard: Moment,
) -> tuple[Track, Rest, Doubts]:
    """The count, the rest and the balance of the cells after a voltage was heard.

    A voltage that contradicts the count is taken with a spread that reaches half-way back, and
    named in `doubts`, until one heard `LOOK_AGAIN` later agrees. `heard` is the voltage before.
    """
    at = sample.at
    if cells:
        cell_v, meter_v = sum(cells) / len(cells), sample.cell_spread
    else:
        assert pack_v is not None
        cell_v, meter_v = pack_v.value / pack.cells, pack_v.spread / pack.cells or CELL_METER_V
    again = rest.looked and track.witness == REST_VOLTAGE
    rest, doubt_v = resting.looked_at(rest, track, at, heard, cell_v, meter_v)
    if doubt_v is None or at < track.anchored or at < track.flowed:
        return track, rest, doubts
    if cells:
        apart = imbalance(chemistry, min(cells), max(cells), sample.cell_spread)
        if apart is not None:
            readings["pack.cell.imbalance"] = Known(apart[0], apart[1], at, sample.source)
    found = read_curve(chemistry, cell_v, doubt_v)
    if found is None:
        return track, rest, doubts
    charge, spread = found
    if counting.contradicts(track, chemistry, charge, spread):
        why = f"`{REST_VOLTAGE}`: found {cell_v:.3f} V a cell, which is {charge:.0f} %"
        doubts = {**doubts, REST_VOLTAGE: f"{why}, wanted about {track.charge:.0f} % as counted"}
        track = counting.weighed(track, chemistry, charge, spread, at, REST_VOLTAGE)
        return track, rest._replace(next_look=at + LOOK_AGAIN), doubts
    confirmed = REST_VOLTAGE in doubts
    if confirmed:
        doubts = {name: why for name, why in doubts.items() if name != REST_VOLTAGE}
    if again or confirmed:
        return counting.anchored(track, charge, spread, at, REST_VOLTAGE), rest, doubts
    return counting.weighed(track, chemistry, charge, spread, at, REST_VOLTAGE), rest, doubts

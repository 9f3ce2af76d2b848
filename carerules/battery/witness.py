"""The witnesses of a charge: somebody who states it, and the pack's voltage, at rest or not.

Knows the count and the rest. Does not know how either is kept.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import hypot, sqrt
from typing import NamedTuple

from carerules.battery import rest as resting
from carerules.battery import track as counting
from carerules.battery.charge import as_on_curve, read_curve, slowness
from carerules.battery.chemistry import Chemistry
from carerules.battery.learned import Look
from carerules.battery.measured import CELL_METER_V, imbalance
from carerules.battery.ohm import at_warmth, warmth
from carerules.battery.rest import LOOK_AGAIN, Rest
from carerules.battery.screen import Doubts
from carerules.battery.track import REST_VOLTAGE, Track
from carerules.domain.event import A_PERSON, Sample, Value
from carerules.domain.moment import Moment
from carerules.domain.pack import Pack
from carerules.domain.quantity import Known, Reading
from carerules.domain.signal import MEASURED_MAX_AGE

STATED_SPREAD = 5.0
"""Points: what a gauge or a person who states a charge is trusted to, where they do not say
(no source)."""

STATED_SPREAD_MIN = 0.5
"""Points: nobody knows a charge better (no source)."""

SAME = 0.01
"""Points: a gauge that repeats itself says nothing new (our choice)."""

CLEARLY_SIGMAS = 2.0
"""Two statements further apart than this, in both their spreads, do not speak of one charge
(no source)."""

GAUGE_FLOW = 2.0
"""Points within ten minutes: a gauge that moves so far tells of a current (C/8 and more;
no source)."""


LOADED = "voltage under load"

LOADED_NEEDED = 12.0
"""Points: only a count less sure than this, or none, listens to a voltage under load
(no source)."""

LOADED_HOURS = 1.0
"""Above capacity over so many hours no voltage under load is read: the sag is no longer in
proportion (a cut-off read through resistance was 14 % off in time at 1 C, on the cell below)."""

SAG = 1.6
SAG_DOUBT = 0.5
"""How far a voltage sags under a steady load, in parts of the inner resistance times the current,
and the doubt of that: the step at once and the slow part after it, which was 0.3 to 1.0 of the step
a minute after 10 A at 10 to 40 °C on the 30 Ah pouch cell, doi 10.5281/zenodo.2580327."""

LOADED_METER_V = 0.01
"""What else a voltage under load may be off, V a cell: leads and hysteresis (no source)."""


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
            rest = resting.restarted(rest, at, 1.0 if charge > gauge.value else -1.0)
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


def seen_again(readings: Mapping[str, Reading], track: Track, rest: Rest, sample: Sample) -> Track:
    """The count after a sample: nothing has left unseen where it told a voltage that can be, of
    after what flowed. How much it can hold at most is known anew only by an instrument: a person
    may have read another pack, again and again.
    """
    at, told = sample.at, (readings.get("pack.voltage"), readings.get("pack.cell.min"))
    since = track.flowed if rest.flowing or rest.since is None else max(track.flowed, rest.since)
    if at < since or not any(isinstance(one, Known) and one.at == at for one in told):
        return track
    if sample.source == A_PERSON:
        return track._replace(drawn=0.0)
    return track._replace(drawn=0.0, spent=0.0)


def loaded(
    readings: Mapping[str, Reading],
    track: Track,
    chemistry: Chemistry,
    pack: Pack,
    sample: Sample,
    pack_v: Value | None,
    cells: tuple[float, ...],
) -> Track:
    """The count after a voltage under a current that the pack told with it; `cells` in V.

    Corrected by the resistance and read with all the doubt of that: better than not to know,
    never as good as a rest. A count that is any good does not listen.
    """
    at, amps = sample.at, abs(track.flow_a)
    if at != track.flow_at or amps * LOADED_HOURS > track.capacity_ah or at < track.anchored:
        return track
    kept = None if track.charge is None else track.spread(chemistry)
    resistance = readings.get("pack.resistance")
    if (kept is not None and kept < LOADED_NEEDED) or not isinstance(resistance, Known):
        return track
    cell_v, meter_v = _cell_v(pack, sample, pack_v, cells)
    warm_c = warmth(readings, at)
    mohm, spread_mohm = at_warmth(resistance.value, resistance.spread, warm_c)
    step_v = track.flow_a * mohm / 1_000
    own = spread_mohm / mohm if mohm > 0 else 1.0
    doubt_v = hypot(abs(step_v) * hypot(SAG_DOUBT, SAG * own), LOADED_METER_V, meter_v)
    lean = 1.0 if track.flow_a > 0 else -1.0
    found = read_curve(
        chemistry, *as_on_curve(chemistry, cell_v - SAG * step_v, doubt_v, warm_c, lean)
    )
    if found is None or (kept is not None and found[1] > kept / 2):
        return track
    return counting.weighed(track, chemistry, found[0], found[1], at, LOADED)


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
) -> tuple[Track, Rest, Doubts, Look | None]:
    """The count, the rest and the balance of the cells after a voltage was heard, and the look
    that capacity can be learned from, if there was one; `cells` in V.

    A voltage that contradicts the count is taken with a spread that reaches half-way back, and
    named in `doubts`, until one heard `LOOK_AGAIN` later agrees. `heard` is the voltage before.
    """
    at = sample.at
    cell_v, meter_v = _cell_v(pack, sample, pack_v, cells)
    if resting.is_as_before(rest, at, heard, cell_v):
        return track, rest, doubts, None
    again = rest.looked and track.witness == REST_VOLTAGE
    warm_c = warmth(readings, at)
    rest, look = resting.looked_at(rest, track, at, heard, cell_v, meter_v, slowness(warm_c))
    if look is None or at < track.anchored or at < track.flowed:
        return track, rest, doubts, None
    if cells:
        apart = imbalance(chemistry, min(cells), max(cells), sample.cell_spread)
        if apart is not None:
            readings["pack.cell.imbalance"] = Known(apart[0], apart[1], at, sample.source)
    found = read_curve(
        chemistry, *as_on_curve(chemistry, look.cell_v, look.doubt_v, warm_c, rest.lean)
    )
    if found is None:
        return track, rest, doubts, None
    charge, spread = found
    if counting.contradicts(track, chemistry, charge, spread):
        doubts = {**doubts, REST_VOLTAGE: _doubt(track, cell_v, charge)}
        track = counting.weighed(track, chemistry, charge, spread, at, REST_VOLTAGE)
        rest = rest._replace(next_look=at + LOOK_AGAIN, before_spread=0.0)
        return track, rest, doubts, None
    assert rest.since is not None
    learned = Look(rest.since, charge, spread, track.counted_ah, track.hours)
    confirmed = REST_VOLTAGE in doubts
    if confirmed:
        doubts = {name: why for name, why in doubts.items() if name != REST_VOLTAGE}
    if confirmed or track.charge is None or (again and rest.before_spread == 0.0):
        track = counting.anchored(track, charge, spread, at, REST_VOLTAGE)
        return track, rest._replace(before_spread=0.0), doubts, learned
    kept, kept_spread = track.charge, track.spread(chemistry)
    if again:
        # One rest is one witness: its later word replaces its first, and the count that both are
        # weighed against stays the one from before the rest.
        grown = kept_spread * kept_spread - track.anchor_spread * track.anchor_spread
        kept, kept_spread = kept + rest.apart, hypot(rest.before_spread, sqrt(max(0.0, grown)))
    track = counting.fused(track, (kept, kept_spread), charge, spread, at)
    assert track.charge is not None
    rest = rest._replace(apart=kept - track.charge, before_spread=kept_spread)
    return track, rest, doubts, learned


def _doubt(track: Track, cell_v: float, charge: float) -> str:
    found = f"found {cell_v:.3f} V a cell, which is {charge:.0f} %"
    return f"`{REST_VOLTAGE}`: {found}, wanted about {track.charge:.0f} % as counted"


def _cell_v(
    pack: Pack, sample: Sample, pack_v: Value | None, cells: tuple[float, ...]
) -> tuple[float, float]:
    """The mean voltage of a cell, and what its meter is trusted to."""
    if cells:
        return sum(cells) / len(cells), sample.cell_spread
    assert pack_v is not None
    return pack_v.value / pack.cells, pack_v.spread / pack.cells or CELL_METER_V

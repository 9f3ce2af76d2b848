"""The kept estimate of a pack: every `pack.*` signal, brought up to date by what is heard.

Knows samples, metered power and events. Does not know rules or limits.
Each function is pure: the old estimate stays as it was.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from math import hypot

from carerules.battery import rest as resting
from carerules.battery import track as counting
from carerules.battery.ageing import LIFE_COST_SIGNAL, lies_otherwise, life_cost
from carerules.battery.charge import NOT_SHOWN
from carerules.battery.chemistry import Chemistry
from carerules.battery.learned import Learned, Look, labelled, taught
from carerules.battery.measured import disown, measure
from carerules.battery.ohm import learn as learn_ohm
from carerules.battery.ohm import typical_mohm
from carerules.battery.rest import Rest
from carerules.battery.screen import Doubts, screened
from carerules.battery.track import COUNTED, REST_VOLTAGE, Track
from carerules.battery.witness import LOADED_NEEDED, Gauge, loaded, rested, seen_again, stated
from carerules.domain.event import Sample, Value
from carerules.domain.frozen import changed, frozen
from carerules.domain.moment import HOUR, Duration, Moment
from carerules.domain.pack import Pack
from carerules.domain.quantity import Known, Reading, Unknown

FULL_SPREAD = 2.0
"""Points: chargers end at a tenth to a thirtieth of their current, a little short (from memory)."""

RATED_SHARE = 0.07
"""Doubt of the rated capacity, of itself: packs are sold a little over, and age (no source)."""

CAPACITY_SHARE = 0.03
"""Doubt of a measured capacity that names none, of itself (common practice, no source)."""

USE_SEEN: Duration = HOUR
"""A use was counted if the pack's current was still sent, and flowed within this time before."""

SAID_FULL = "said to be full"
CHARGED_FULL = "charged full"
"""The charger was seen to come to the end of its taper."""
RATED = "rated"
LEARNED = "learned"


@frozen
class Estimate:
    """What is known of one pack. `readings` holds every `pack.*` signal it can say; a missing one
    was never seen. `doubts` says by signal what was left out or not quite believed, and why.
    """

    readings: Mapping[str, Reading]
    doubts: Doubts
    track: Track
    rest: Rest
    gauge: Gauge | None
    learned: Learned

    @property
    def doubt(self) -> str:
        """All doubts in one line; empty: none."""
        return "; ".join(self.doubts.values())


def fresh(pack: Pack) -> Estimate:
    """The estimate of a pack of which nothing was heard: what the site file says, and no more."""
    made = 0 if pack.made is None else pack.made
    readings: dict[str, Reading] = {
        "pack.capacity": Known(pack.capacity_ah, RATED_SHARE * pack.capacity_ah, made, RATED),
        "pack.health": Known(100.0, 100 * RATED_SHARE, made, RATED),
    }
    if pack.made is not None:
        readings["pack.age"] = Known(0.0, 0.0, pack.made, "site file", 1.0)
    learned = labelled(pack.capacity_ah, RATED_SHARE)
    track = Track(counting.LONG_AGO, pack.capacity_ah, RATED_SHARE)
    return Estimate(readings, {}, track, Rest(), None, learned)


def take_sample(estimate: Estimate, pack: Pack, chemistry: Chemistry, sample: Sample) -> Estimate:
    """The estimate after a sample, in any combination of values.

    What cannot be true of this pack is left out and named in `doubts`; a measured signal is then
    `Unknown("implausible")`. A sample older than what is known changes only what it is newest on.
    """
    assert sample.pack == pack.name
    at = sample.at
    seen, cells, wrong = screened(
        pack, chemistry, sample, estimate.readings.get("pack.temperature")
    )
    readings = _with_typical(estimate.readings, pack, chemistry, at)
    doubts = estimate.doubts
    if wrong or doubts:
        doubts = _doubts(doubts, seen, cells, wrong)
        for name, why in wrong.items():
            # A temperature in °F leaves the one before, to be compared with until it is too old.
            if "°F" not in why or not isinstance(readings.get(name), Known):
                disown(readings, name)
    measure(readings, pack, chemistry, sample, seen, cells, at >= estimate.track.at)
    if "pack.current" in seen and not doubts:
        learn_ohm(estimate.readings, readings, pack, chemistry, at)
    track = counting.advanced(estimate.track, chemistry, at, _current(readings, seen))
    learned = estimate.learned
    if track.drawn or track.spent:
        track = seen_again(readings, track, estimate.rest, sample)
    if "pack.capacity" in seen or "pack.resistance" in seen:
        track, learned = _figures(readings, track, learned, pack, sample, seen)
    rest = resting.settled(estimate.rest, track, at)
    gauge = estimate.gauge
    said = seen.get("pack.soc")
    if said is not None:
        track, rest, doubts = stated(track, rest, doubts, gauge, chemistry, sample, said)
        if gauge is None or at >= gauge.at:
            gauge = Gauge(said.value, at, sample.source)
    pack_v = seen.get("pack.voltage")
    if (cells or pack_v is not None) and rest.flowing:
        if track.charge is None or track.anchor_spread > LOADED_NEEDED:
            track = loaded(readings, track, chemistry, pack, sample, pack_v, cells)
    elif cells or pack_v is not None:
        before = estimate.readings.get("pack.voltage")
        heard = before.at if isinstance(before, Known) else counting.LONG_AGO
        track, rest, doubts, look = rested(
            readings, track, rest, doubts, pack, chemistry, sample, pack_v, cells, heard
        )
        if look is not None:
            counted = track
            track, learned = _taught(readings, track, learned, pack, look, at)
            track = counting.as_worn(track, counted, look.charge)
    after = Estimate(readings, doubts, track, rest, gauge, learned)
    return _told(readings, estimate, after, chemistry, sample.source)


def take_energy(
    estimate: Estimate,
    pack: Pack,
    chemistry: Chemistry,
    at: Moment,
    power_w: float | None,
    usual_w: float = 0.0,
) -> Estimate:
    """The estimate after the station's plug told a power (W, positive into the pack). None: it told
    of its relay alone, and the power that it told last goes on.

    It holds until the next call, at most `METER_HOLD_MAX`; 0 ends it. It counts only while the pack
    sends no current of its own (`HOLD_MAX`), with ten percent of doubt: what the load or charger
    itself takes is not seen. `usual_w`: what a load that is on draws (W), though its meter says
    less.
    """
    # Beyond a gigawatt it is no reading; our choice. Written so that NaN fails.
    if power_w is not None and not -1e9 < power_w < 1e9:
        why = f"`plug`: found `{power_w:g} W`, wanted a number"
        return replace(estimate, doubts={**estimate.doubts, "plug": why})
    doubts: Doubts = {name: why for name, why in estimate.doubts.items() if name != "plug"}
    readings = _with_typical(estimate.readings, pack, chemistry, at)
    track = counting.advanced(estimate.track, chemistry, at, None)
    if at >= estimate.track.at:
        if power_w is not None:
            track = track._replace(cell_w=power_w / pack.cells, cell_at=at)
        track = track._replace(out_w=max(0.0, -track.cell_w, usual_w / pack.cells))
    rest = resting.settled(estimate.rest, track, at)
    if estimate.track.out_w and not track.out_w:
        # Its load was on until now, also where no meter and no current told of that.
        rest = resting.restarted(rest, at, -1.0)
    after = Estimate(readings, doubts, track, rest, estimate.gauge, estimate.learned)
    return _told(readings, estimate, after, chemistry, "plug")


def take_event(
    estimate: Estimate,
    pack: Pack,
    chemistry: Chemistry,
    what: str,
    at: Moment,
    witness: str = SAID_FULL,
) -> Estimate:
    """The estimate after something happened to the pack.

    `charge`, `full`: it was charged full, says the `witness`; while its load is on that cannot be,
    and changes nothing. `use`, `drain`: the charge is unknown from then on, unless the pack's own
    current was counted through it, or something newer has set it. Each of these begins a rest.
    Anything else changes nothing.
    """
    if what not in ("charge", "full", "use", "drain"):
        return estimate
    readings, doubts = _with_typical(estimate.readings, pack, chemistry, at), estimate.doubts
    track, learned = counting.advanced(estimate.track, chemistry, at, None), estimate.learned
    if what in ("charge", "full"):
        if at >= track.anchored and at >= track.flowed and not track.out_w:
            track = counting.anchored(track, 100.0, FULL_SPREAD, at, witness)
            track = track._replace(drawn=0.0, spent=0.0)
            look = Look(at, 100.0, FULL_SPREAD, track.counted_ah, track.hours)
            track, learned = _taught(readings, track, learned, pack, look, at)
            doubts = {
                name: why for name, why in doubts.items() if name not in ("pack.soc", REST_VOLTAGE)
            }
    elif at >= track.anchored and not (track.is_live(at) and at - track.flowed <= USE_SEEN):
        track = counting.spoiled(track, at)
    lean = 1.0 if what in ("charge", "full") else -1.0
    rest = resting.restarted(resting.settled(estimate.rest, track, at), at, lean)
    after = Estimate(readings, doubts, track, rest, estimate.gauge, learned)
    return _told(readings, estimate, after, chemistry, what)


def take_time(estimate: Estimate, pack: Pack, chemistry: Chemistry, at: Moment) -> Estimate:
    """The estimate when nothing but time has passed: on the shelf the doubt grows."""
    readings = _with_typical(estimate.readings, pack, chemistry, at)
    track = counting.advanced(estimate.track, chemistry, at, None)
    after = changed(estimate, readings=readings, track=track)
    return _told(readings, estimate, after, chemistry, "")


def _with_typical(
    old: Mapping[str, Reading], pack: Pack, chemistry: Chemistry, at: Moment
) -> dict[str, Reading]:
    """A copy to write in; the first time, with what is typical of the chemistry."""
    readings = dict(old)
    if "pack.resistance" not in readings:
        mohm, doubt = typical_mohm(pack, chemistry)
        readings["pack.resistance"] = Known(mohm, doubt, at, f"typical of {chemistry.name}")
    return readings


def _doubts(
    doubts: Doubts, seen: Mapping[str, Value], cells: tuple[float, ...], wrong: Mapping[str, str]
) -> Doubts:
    kept = {
        name: why
        for name, why in doubts.items()
        if name not in seen and not (name == "cells" and cells)
    }
    return {**kept, **wrong}


def _current(readings: Mapping[str, Reading], seen: Mapping[str, Value]) -> float | None:
    """The pack's own current (A): as sent, or out of its power and voltage; None: not sent."""
    sent = seen.get("pack.current")
    if sent is not None:
        return sent.value
    power = seen.get("pack.power")
    if power is None:
        return None
    pack_v = readings.get("pack.voltage")
    return power.value / pack_v.value if isinstance(pack_v, Known) and pack_v.value > 0 else None


def _figures(
    readings: dict[str, Reading],
    track: Track,
    learned: Learned,
    pack: Pack,
    sample: Sample,
    seen: Mapping[str, Value],
) -> tuple[Track, Learned]:
    """Capacity, health and resistance as somebody measured them; a capacity is a new label."""
    at, source = sample.at, sample.source
    sent = seen.get("pack.resistance")
    if sent is not None:
        spread = sent.spread or 0.1 * sent.value  # no source
        readings["pack.resistance"] = Known(sent.value, spread, at, source)
    sent = seen.get("pack.capacity")
    if sent is None:
        return track, learned
    spread = sent.spread or CAPACITY_SHARE * sent.value
    _tell_capacity(readings, pack, Known(sent.value, spread, at, source))
    doubt = spread / sent.value
    track = track._replace(capacity_ah=sent.value, capacity_doubt=doubt)
    return track, labelled(sent.value, doubt)._replace(offset_a=learned.offset_a)


def _taught(
    readings: dict[str, Reading],
    track: Track,
    learned: Learned,
    pack: Pack,
    look: Look,
    at: Moment,
) -> tuple[Track, Learned]:
    """The count and what was learned after a rest was read; what is new is told."""
    after = taught(learned, look, track.hole)
    if after.taught and after.capacity_ah != learned.capacity_ah:
        # Counted in the pack's own ampere hours, whose gain the rests cannot tell.
        spread = after.capacity_ah * hypot(after.doubt, counting.GAIN_CURRENT)
        _tell_capacity(readings, pack, Known(after.capacity_ah, spread, at, LEARNED))
    track = track._replace(
        capacity_ah=after.capacity_ah, capacity_doubt=after.doubt, offset_a=after.offset_a
    )
    return track, after


def _tell_capacity(readings: dict[str, Reading], pack: Pack, capacity: Known) -> None:
    readings["pack.capacity"] = capacity
    share = 100 / pack.capacity_ah
    readings["pack.health"] = Known(
        share * capacity.value, share * capacity.spread, capacity.at, capacity.source
    )


def _told(
    readings: dict[str, Reading], old: Estimate, new: Estimate, chemistry: Chemistry, source: str
) -> Estimate:
    """The new estimate, with what its count comes to among its `readings`: they are its own, and
    nobody has seen it yet."""
    _tell_charge(readings, old, new, chemistry)
    was, rest, at = old.rest, new.rest, new.track.at
    if rest.flowing:
        if not was.flowing:
            readings["pack.rested"] = Known(0.0, 0.0, at, source)
    elif rest.since is not None and (was.flowing or was.since != rest.since):
        readings["pack.rested"] = Known(0.0, 0.0, rest.since, source, 1.0)
    if lies_otherwise(old.readings, readings):
        cost = life_cost(chemistry, readings, at)
        if cost is not None:
            readings[LIFE_COST_SIGNAL] = cost
        else:
            readings.pop(LIFE_COST_SIGNAL, None)
    return new


def _tell_charge(
    readings: dict[str, Reading], old: Estimate, new: Estimate, chemistry: Chemistry
) -> None:
    track, charge = new.track, new.track.charge
    if (
        charge is not None
        and track.anchored == old.track.anchored
        and track.net == old.track.net
        and new.rest == old.rest
        and isinstance(said := readings.get("pack.soc"), Known)
        and 0 <= track.at - said.at < HOUR
    ):
        pass  # the reading goes on along its slope
    elif charge is not None:
        # What moved by less than is shown has no new witness; our choice.
        witness = track.witness if -0.05 < track.net < 0.05 else COUNTED
        # While something flows the next sample tells; only the shelf is foreseen.
        slope = 0.0 if new.rest.flowing or charge <= 0.0 else chemistry.shelf_slope
        readings["pack.soc"] = Known(
            charge, track.spread(chemistry), track.at, witness, slope, track.widens(chemistry)
        )
    elif track.used:
        readings["pack.soc"] = Unknown("used since the last reading")
    elif not chemistry.shows_charge:
        readings["pack.soc"] = Unknown(NOT_SHOWN)

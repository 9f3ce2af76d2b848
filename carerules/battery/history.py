"""What a pack's past shows of its health: measurements picked out of samples as they come.

Knows samples, metered power and the estimate they lead to. Does not judge (`battery/health`).
"""

from __future__ import annotations

from dataclasses import field, replace
from math import hypot, isfinite
from typing import NamedTuple

from carerules.battery.ageing import Ledger, empty_ledger, lain
from carerules.battery.charge import read_curve, relaxation_v, rest_voltage
from carerules.battery.chemistry import Chemistry
from carerules.battery.estimate import (
    LEARNED,
    RATED,
    Estimate,
    fresh,
    take_energy,
    take_event,
    take_sample,
)
from carerules.battery.health import CellsAtRest, Health, capacity_between, judged
from carerules.battery.learned import OFFSET_PRIOR, Look
from carerules.battery.ohm import at_25, stepped, warmth
from carerules.battery.trend import Measured
from carerules.domain.event import Happened, Sample
from carerules.domain.frozen import guarded
from carerules.domain.moment import DAY, HOUR, MINUTE, Duration, Moment
from carerules.domain.pack import Pack
from carerules.domain.quantity import Known

RESTED_MIN: Duration = 30 * MINUTE
"""Cells are compared after such a rest: 0-4 mV from the end (doi 10.5281/zenodo.2580327)."""
CELLS_EVERY: Duration = DAY
"""Cells at rest are taken down once a day."""
COUNTED = 0.02
"""Doubt of a count by the pack's own current, of itself: as in `track` (common practice)."""
METERED = 0.10
"""Doubt of a count by power metered at a plug, of itself: as in `track` (no source)."""
METERED_GAP: Duration = 15 * MINUTE
"""A plug that was silent for longer while power flowed has not metered it: they report each few
minutes at the slowest."""
OWN_CURRENT = ("pack.current", "pack.power")
KEPT_MAX = 2_000
"""Of each kind: five years, daily; our choice. Beyond, every second of the old ones goes."""
PRICED_EACH: Duration = 5 * MINUTE
"""Samples come each second: pricing each by itself would be most of the work, and tell no more
(our choice)."""
PRICED_MAX: Duration = HOUR
"""Lying is priced in stretches of at most an hour, along the slope of the charge."""


class Energy(NamedTuple):
    """Ampere hours that metered power came to, for a pack whose own current nobody measures.

    `power_w` at the pack's terminals since `at`; `looks`: rests with what was counted by then, none
    from before `since`, when something flowed that no plug metered.
    """

    at: Moment = 0
    power_w: float = 0.0
    ah: float = 0.0
    since: Moment = 0
    looks: tuple[tuple[Look, float], ...] = ()
    found: bool = False
    own_current: bool = False


@guarded
class History:
    """A pack's past as far as health asks: the estimate as it ran, and what was picked out.

    `step`: the sample before, when, V and A.
    """

    pack: Pack
    chemistry: Chemistry
    estimate: Estimate
    ledger: Ledger
    began: Moment | None = None
    seen: Moment = 0
    priced_to: Moment = 0
    capacities: tuple[Measured, ...] = ()
    resistances: tuple[Measured, ...] = ()
    rests: tuple[CellsAtRest, ...] = ()
    looks: tuple[Look, ...] = field(default=())
    hole: Moment = 0
    step: tuple[Moment, float, float] | None = None
    energy: Energy = field(default_factory=Energy)

    @property
    def health(self) -> Health:
        """What it comes to."""
        return judged(self.pack.capacity_ah, self.capacities, self.resistances, self.rests)

    @property
    def by_energy(self) -> bool:
        """Whether its capacity comes from energy metered at a plug, nothing better being there."""
        return self.energy.found and not self.energy.own_current


def no_history(pack: Pack, chemistry: Chemistry) -> History:
    """The past of a pack of which nothing was heard."""
    return History(pack, chemistry, fresh(pack), empty_ledger(chemistry))


def remembered(history: History, event: Sample | Happened) -> History:
    """The past with one more sample or happening of the pack, in the order in which they were true;
    one that came late is left out."""
    pack, chemistry = history.pack, history.chemistry
    if event.at < history.seen:
        return history
    before = history.estimate
    if history.began is None:
        history = replace(history, began=event.at, priced_to=event.at)
    history = _priced_in_turn(history, event.at)
    if isinstance(event, Happened):
        after = take_event(before, pack, chemistry, event.what, event.at)
        history = replace(history, estimate=after, step=None, seen=event.at)
        if event.what == "use":  # something flowed past every plug
            energy = history.energy._replace(since=event.at, looks=())
            return replace(history, energy=energy)
        return history if after.learned is before.learned else _with_energy(history)
    after = take_sample(before, pack, chemistry, event)
    step, ohm = _step(history, after, event)
    history = replace(history, estimate=after, step=step, seen=event.at)
    if ohm is not None:
        history = replace(history, resistances=_kept(history.resistances, ohm))
    if not history.energy.own_current and any(one.signal in OWN_CURRENT for one in event.values):
        history = replace(history, energy=history.energy._replace(own_current=True, looks=()))
    if after.learned is not before.learned:  # a rest was read, or somebody sent a capacity
        history = _with_capacity(_with_energy(history), before)
    return _with_cells(history, event)


def metered(history: History, at: Moment, power_w: float) -> History:
    """The past after the station's plug told a power (W, positive into the pack): energy counts
    towards the capacity where the pack's own current was never measured."""
    if at < history.seen or not isfinite(power_w):
        return history
    if history.began is None:
        history = replace(history, began=at, priced_to=at)
    history = replace(_priced_in_turn(history, at), seen=at)
    energy = _counted(history, at)._replace(power_w=power_w)
    after = take_energy(history.estimate, history.pack, history.chemistry, at, power_w)
    return replace(history, estimate=after, energy=energy)


def _counted(history: History, until: Moment) -> Energy:
    """What flowed until a moment, at the rest voltage of the charge half-way as far as known."""
    energy, soc = history.energy, history.estimate.readings.get("pack.soc")
    if energy.power_w == 0.0 or until <= energy.at:
        return energy._replace(at=max(until, energy.at))
    if until - energy.at > METERED_GAP:
        return energy._replace(at=until, since=until, looks=())
    fraction = min(1.0, max(0.0, soc.value / 100)) if isinstance(soc, Known) else 0.5
    volts = history.pack.cells * rest_voltage(history.chemistry, fraction)
    efficiency = history.chemistry.charge_efficiency if energy.power_w > 0 else 1.0
    moved = energy.power_w * efficiency / volts * (until - energy.at) / HOUR
    return energy._replace(at=until, ah=energy.ah + moved)


def _with_energy(history: History) -> History:
    """A capacity from the energy metered between two rests, of which one was just read."""
    energy, look = _counted(history, history.seen), history.estimate.learned.look
    if energy.own_current:
        return history
    known, looks = history.capacities, energy.looks
    if look is not None and look.began >= energy.since:
        if looks and looks[-1][0].began == look.began:
            looks = looks[:-1]  # the same rest, read again
        elif looks and known and known[-1].at == looks[-1][0].began:
            looks = looks[-1:]  # what was measured begins the next, so that none counts twice
        for first, ah in looks:
            found = capacity_between(
                first.charge, first.spread, look.charge, look.spread, energy.ah - ah, METERED
            )
            if found is not None:
                if known and known[-1].at == look.began:
                    known = known[:-1]
                known, looks = _kept(known, Measured(look.began, *found)), ((first, ah),)
                energy = energy._replace(found=True)
                break
        looks = (*looks, (look, energy.ah))[-8:]  # a day of full cycles, and more; our choice
    return replace(history, energy=energy._replace(looks=looks), capacities=known)


def _priced_in_turn(history: History, until: Moment) -> History:
    """The past with its ledger brought up, if it is some minutes behind: not at each sample."""
    behind = until - history.priced_to
    return priced(history, until) if behind >= PRICED_EACH else history


def priced(history: History, until: Moment) -> History:
    """The past with its ledger brought up to a moment."""
    readings, ledger, at = history.estimate.readings, history.ledger, history.priced_to
    soc, temp = readings.get("pack.soc"), readings.get("pack.temperature")
    warm = temp.value if isinstance(temp, Known) and at - temp.at <= DAY else None
    stretch = max(PRICED_MAX, (until - at) // 10_000)  # a decade ends too: our choice
    while at < until:
        time = min(stretch, until - at)
        level = None
        if isinstance(soc, Known):
            level = max(0.0, min(100.0, soc.value_at(at + time // 2)))
        ledger = lain(ledger, level, warm, time)
        at += time
    to = max(history.priced_to, until)
    return replace(history, ledger=ledger, priced_to=to, seen=max(history.seen, until))


def _with_capacity(history: History, before: Estimate) -> History:
    """A capacity that somebody sent, or one from two rests with everything counted between."""
    after, was = (
        history.estimate.readings.get("pack.capacity"),
        before.readings.get("pack.capacity"),
    )
    if isinstance(after, Known) and after != was and after.source not in (LEARNED, RATED):
        sent = Measured(after.at, after.value, after.spread)
        history = replace(history, capacities=_kept(history.capacities, sent))
    learned = history.estimate.learned
    look = learned.look
    if look is None:
        return history
    looks = history.looks if learned.hole == history.hole else ()
    if looks and looks[-1].began == look.began:
        looks = looks[:-1]  # the same rest, read again
    elif looks and history.capacities and history.capacities[-1].at == looks[-1].began:
        looks = looks[-1:]  # what was measured begins the next, so that none counts twice
    for first in looks:
        counted, hours = look.counted_ah - first.counted_ah, look.hours - first.hours
        # Once fitted, the offset itself is known to some part of what meters are usually off by.
        offset_ah = OFFSET_PRIOR * history.pack.capacity_ah * hours
        counted_spread = hypot(COUNTED, offset_ah / counted) if counted else COUNTED
        counted -= learned.offset_a * hours
        found = capacity_between(
            first.charge, first.spread, look.charge, look.spread, counted, counted_spread
        )
        if found is not None:
            at, known = look.began, history.capacities
            same = known[-1] if known and known[-1].at == at else None
            if same is None or found[1] < same.spread:
                known = _kept(known if same is None else known[:-1], Measured(at, *found))
            return replace(history, looks=(first, look), hole=learned.hole, capacities=known)
    # Rests that lie near each other wait so long for one further off; our choice.
    return replace(history, looks=(*looks, look)[-32:], hole=learned.hole)


def _step(
    history: History, after: Estimate, sample: Sample
) -> tuple[tuple[Moment, float, float] | None, Measured | None]:
    """Voltage and current as they are now, to hold the next against; and what a step between the
    last and these shows of the resistance."""
    volts = amps = None
    for value in sample.values:
        if value.signal == "pack.voltage":
            volts = value.value
        elif value.signal == "pack.current":
            amps = value.value
    if volts is None and len(sample.cells) == history.pack.cells:
        volts = sum(sample.cells)
    if volts is None or amps is None:
        return history.step, None
    before, now = history.step, (sample.at, volts, amps)
    # What the estimate has refused as impossible is no witness here either.
    if before is None or after.doubts:
        return now, None
    pack, volts_known = history.pack, after.readings.get("pack.voltage")
    meter_v = volts_known.spread if isinstance(volts_known, Known) else 0.0
    found = stepped(before, now, meter_v, pack.capacity_ah, pack.cells)
    if found is None:
        return now, None
    return now, Measured(sample.at, *at_25(found, warmth(after.readings, sample.at)))


def _with_cells(history: History, sample: Sample) -> History:
    rest, pack, chemistry = history.estimate.rest, history.pack, history.chemistry
    if len(sample.cells) != pack.cells or rest.flowing or rest.since is None:
        return history
    if sample.at - rest.since < RESTED_MIN or "cells" in history.estimate.doubts:
        return history
    last = history.rests[-1] if history.rests else None
    if last is not None and last.rest == rest.since and sample.at - last.at < CELLS_EVERY:
        return history
    meter_v = sample.cell_spread + relaxation_v(sample.at - rest.since)
    read = [read_curve(chemistry, volts, 0.0) for volts in sample.cells]
    wide = [read_curve(chemistry, volts, meter_v) for volts in sample.cells]
    charges = [one[0] for one in read if one is not None]
    if len(charges) != pack.cells:
        return history
    # The curve's own doubt is common to the cells and drops out; the meter's stays.
    own = [
        (a[1] ** 2 - b[1] ** 2) ** 0.5 if a[1] > b[1] else 0.0
        for a, b in zip((one for one in wide if one), (one for one in read if one), strict=True)
    ]
    found = CellsAtRest(sample.at, tuple(charges), max(0.5, *own), tuple(sample.cells), rest.since)
    rests = (*history.rests, found)
    return replace(history, rests=rests if len(rests) <= KEPT_MAX else rests[::2])


def _kept(points: tuple[Measured, ...], one: Measured) -> tuple[Measured, ...]:
    points = (*points, one)
    return points if len(points) <= KEPT_MAX else (*points[:-1:2], points[-1])

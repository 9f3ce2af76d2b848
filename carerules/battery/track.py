"""The arithmetic of the kept charge: counting, and weighing what somebody says against the count.

Knows charge, current, time and doubt. Does not know samples or readings.

The count runs from an *anchor*: the last time that a rested voltage, a stated charge or a person
said how much is in the pack. From there the doubt grows with totals, never with steps, so that it
does not matter into how many pieces an hour is cut: capacity times what moved on balance, gain
times everything that moved, what gaps may have hidden, the shelf times its time. Of two witnesses
whose errors may have a common cause (one rest curve, one meter) the more certain one is taken and
nothing is averaged: for one number this is what covariance intersection comes to.
"""

from __future__ import annotations

from math import hypot, inf, sqrt
from typing import NamedTuple

from carerules.battery.charge import SPREAD_MAX, rest_voltage
from carerules.battery.chemistry import Chemistry
from carerules.domain.moment import HOUR, MINUTE, MONTH, Duration, Moment
from carerules.domain.quantity import Widening

HOLD_MAX: Duration = 5 * MINUTE
"""A current holds until the next sample, at most so long: the slowest interval plugs ship with
(from memory)."""

METER_HOLD_MAX: Duration = 6 * MINUTE
"""A plug's power holds until its next word, at most so long: a minute over the slowest interval
(from memory)."""

REST_HOURS = 50.0
"""Below capacity over fifty hours a current is none: it moves a rest voltage by less than 1 mV
(no source)."""

GAIN_CURRENT = 0.02
"""Doubt of a count by the pack's own current, of all that moved (common practice, no source)."""

GAIN_OTHER = 0.10
"""Doubt of a count by metered power or a moving gauge: losses are not seen (no source)."""

SHELF_DOUBT = 1.0
"""Doubt of self-discharge, of itself: packs with electronics of their own lose more (no source)."""

SHELF_LEAST = 1e-6
"""Percent a month: of less than this no doubt comes in a hundred years (our choice)."""

OUTLIER_SIGMAS = 4.0
"""Further apart than so many of both spreads together, two witnesses contradict each other
(no source)."""

BETTER = 0.9
"""A witness is taken when its spread is below so much of the kept one: equals do not flutter
(our choice)."""

OFFSET_HOUR = 1 / 600
"""What a meter shows at nothing, of capacity in an hour: 50 mA on 30 Ah (common practice)."""

WORN_FROM = 20.0
"""Points that have left a pack: after less the doubt of a reading says nothing of how much it holds
(judgement, no source)."""

ALIKE = 0.5
"""How alike the errors of the count and of a rest are taken to be (1: the same error): the count
began at a voltage read off the very curve, or with a charger set by the same meter. Judgement,
no source; 0 would let two readings of one crooked curve make each other sure."""

REST_VOLTAGE = "rest voltage"
COUNTED = "counted"
LONG_AGO: Moment = -(1 << 62)  # before every moment, by definition


class Track(NamedTuple):
    """What the count needs: points of charge, amperes, moments, and metered watts for each cell.

    `counted_ah` and `hours` run on through anchors, as the pack's own meter shows them; `hole` is
    the last moment at which something may have flowed past that meter. `offset_a` is what the
    meter shows at nothing; `cell_at` is when a plug last said `cell_w`, and `out_w` what may flow
    out at most until it says so again, though its meter reads low or it is silent. `drawn` is what
    may have flowed out since the pack's voltage was last told, or it was charged full, and `spent`
    what may have, less what flowed in, since it was charged full, or an instrument told its voltage
    (points).
    A tuple, because it is made anew for each sample: a tenth of the cost of replacing fields.
    """

    at: Moment
    capacity_ah: float
    capacity_doubt: float
    charge: float | None = None
    used: bool = False
    anchor_spread: float = 0.0
    anchored: Moment = LONG_AGO
    witness: str = ""
    net: float = 0.0
    gain_doubt: float = 0.0
    gap: float = 0.0
    flow_a: float = 0.0
    flow_at: Moment = LONG_AGO
    cell_w: float = 0.0
    flowed: Moment = LONG_AGO
    offset_a: float = 0.0
    counted_ah: float = 0.0
    hours: float = 0.0
    hole: Moment = LONG_AGO
    cell_at: Moment = LONG_AGO
    drawn: float = 0.0
    out_w: float = 0.0
    spent: float = 0.0

    def spread(self, chemistry: Chemistry) -> float:
        """Doubt of the charge now, points (1 sigma)."""
        capacity = self.capacity_doubt * self.net
        shelf = _shelf_doubt(chemistry) * (self.at - self.anchored)
        gain = self.gain_doubt
        square = self.anchor_spread * self.anchor_spread + capacity * capacity + gain * gain
        spread = sqrt(square + self.gap * self.gap + shelf * shelf)
        return spread if spread < SPREAD_MAX else SPREAD_MAX

    def widens(self, chemistry: Chemistry) -> Widening | None:
        """How the doubt goes on growing on the shelf, though nothing is heard."""
        if chemistry.self_discharge_pct_month < SHELF_LEAST:
            return None
        return Widening(_shelf_doubt(chemistry), self.anchored, SPREAD_MAX)

    def is_live(self, at: Moment) -> bool:
        """Whether the pack's own current still holds."""
        return at - self.flow_at <= HOLD_MAX

    def is_flowing(self, at: Moment) -> bool:
        """Whether anything that is known to flow flows at `at`."""
        if at - self.flow_at <= HOLD_MAX:
            return abs(self.flow_a) * REST_HOURS >= self.capacity_ah
        if at - self.cell_at > METER_HOLD_MAX:
            return False
        return abs(self.cell_w) * REST_HOURS >= self.capacity_ah * 3.0  # 3 V: the least a cell has


def _shelf_doubt(chemistry: Chemistry) -> float:
    """Points a millisecond, 1 sigma."""
    return SHELF_DOUBT * chemistry.self_discharge_pct_month / MONTH


def advanced(track: Track, chemistry: Chemistry, at: Moment, current_a: float | None) -> Track:
    """The count brought up to `at`; from then on `current_a` flows (None: as before).

    A late `at` counts nothing. Its current holds all the same if none was told later: a plug may
    have spoken since, which knows of the pack's own current nothing.
    """
    (now, capacity_ah, capacity_doubt, charge, used, anchor_spread, anchored, witness, net,
     gain_doubt, gap, flow_a, flow_at, cell_w, flowed, offset_a, counted_ah, hours,
     hole, cell_at, drawn, out_w, spent) = track  # fmt: skip
    span = at - now
    if span < 0:
        if current_a is None or at <= flow_at:
            return track
        flows = abs(current_a) * REST_HOURS >= capacity_ah
        return track._replace(
            flow_a=current_a, flow_at=at, flowed=max(flowed, at) if flows else flowed
        )
    if span > 0:
        live = flow_at + HOLD_MAX - now
        live = 0 if live < 0 else span if live > span else live
        moved = other = 0.0
        if flow_a != 0.0:
            # points = 100 · A · ms / (3.6e6 ms/h · Ah), by definition
            a_millisecond = (flow_a - offset_a) / (36_000 * capacity_ah)
            moved = a_millisecond * live
            live_hours = live / HOUR
            efficiency = chemistry.charge_efficiency if flow_a > 0 else 1.0
            counted_ah += flow_a * live_hours * efficiency
            hours += live_hours
            gain_doubt += 100 * OFFSET_HOUR * live_hours
            flows = abs(flow_a) * REST_HOURS >= capacity_ah
            if flows and live:
                flowed = now + live
            if live < span and flows and cell_w == 0.0:
                gap = min(100.0, gap + abs(a_millisecond) * (span - live))
                hole = at
        if cell_w != 0.0 and live < span:
            other, unseen, ends = _by_meter(track, chemistry, now + live, at)
            gap = min(100.0, gap + unseen)
            flowed, hole = flowed if ends is None else ends, at
        moved *= chemistry.charge_efficiency if moved > 0 else 1.0
        other *= chemistry.charge_efficiency if other > 0 else 1.0
        net += moved + other
        out = _out_at_most(track, chemistry, moved, span - live) if moved < 0.0 or out_w else 0.0
        drawn = min(100.0, drawn + out)
        spent = min(100.0, max(0.0, spent + out - max(0.0, moved) - max(0.0, other)))
        gain_doubt += GAIN_CURRENT * abs(moved) + GAIN_OTHER * abs(other)
        if charge is not None:
            charge += moved + other + chemistry.shelf_slope * span
            charge = 0.0 if charge < 0.0 else 100.0 if charge > 100.0 else charge
    if current_a is not None:
        flow_a, flow_at = current_a, at
        if abs(current_a) * REST_HOURS >= capacity_ah:
            flowed = at
    return Track(
        at, capacity_ah, capacity_doubt, charge, used, anchor_spread, anchored, witness, net,
        gain_doubt, gap, flow_a, flow_at, cell_w, flowed, offset_a, counted_ah, hours, hole,
        cell_at, drawn, out_w, spent,
    )  # fmt: skip


def _by_meter(
    track: Track, chemistry: Chemistry, begins: Moment, at: Moment
) -> tuple[float, float, Moment | None]:
    """What the plug's meter moved from `begins` to `at`, what it may have moved while it was silent
    (points of charge), and until when it showed that something flows; None: not at all."""
    capacity_ah, charge = track.capacity_ah, track.charge
    ends = min(at, track.cell_at + METER_HOLD_MAX)
    moved = unseen = 0.0
    if ends > begins:
        moved = _metered(chemistry, capacity_ah, charge, track.cell_w, ends - begins)
    lost = at - max(begins, ends)
    if lost > 0:  # it may have gone on, or not
        unseen = abs(_metered(chemistry, capacity_ah, charge, track.cell_w, lost))
    return moved, unseen, ends if ends > begins else None


def _out_at_most(track: Track, chemistry: Chemistry, own: float, rest: Duration) -> float:
    """Points that may have flowed out: by the pack's own current what it moved (`own`, points), and
    for the rest of the time what its load draws."""
    by_load = _metered(chemistry, track.capacity_ah, track.charge, -track.out_w, rest)
    return max(0.0, -own) - by_load


def moved_by_gauge(track: Track, points: float) -> Track:
    """The count after a stated charge moved by `points` while nothing else told of a current."""
    if track.charge is None:
        return track
    return track._replace(
        charge=min(100.0, max(0.0, track.charge + points)),
        net=track.net + points,
        gain_doubt=track.gain_doubt + GAIN_OTHER * abs(points),
        hole=track.at,
    )


def anchored(track: Track, charge: float, spread: float, at: Moment, witness: str) -> Track:
    """The count begun anew: so much is in the pack, says the witness (percent, points)."""
    return track._replace(
        charge=min(100.0, max(0.0, charge)), used=False, anchor_spread=spread, anchored=at,
        witness=witness, net=0.0, gain_doubt=0.0, gap=0.0,
    )  # fmt: skip


def spoiled(track: Track, at: Moment) -> Track:
    """The count given up: the pack was used, and nobody counted. What was said before is void."""
    return track._replace(charge=None, used=True, anchored=at, hole=at)


def as_worn(track: Track, counted: Track, charge: float) -> Track:
    """The count after a rest at which so much was read (%), where what has left the pack
    since it was full (`counted`: as it was counted until now) was more of it than its capacity
    says: an old pack, of which nobody measured that. It is counted as one that holds no more than
    that comes to, until it is full again."""
    if not counted.spent:
        return track
    left_ah, gone = counted.spent * counted.capacity_ah, 100.0 - charge
    known = counted.spent >= WORN_FROM and gone > 0.0
    most_ah = min(track.capacity_ah, left_ah / gone) if known else track.capacity_ah
    return track._replace(capacity_ah=most_ah, spent=min(100.0, left_ah / most_ah))


def contradicts(track: Track, chemistry: Chemistry, charge: float, spread: float) -> bool:
    """Whether a witness lies further off than both spreads can explain (percent, points)."""
    if track.charge is None:
        return False
    reach = OUTLIER_SIGMAS * hypot(track.spread(chemistry), spread)
    return abs(charge - track.charge) > reach


def weighed(
    track: Track, chemistry: Chemistry, charge: float, spread: float, at: Moment, witness: str
) -> Track:
    """The count after a witness spoke (percent, points): anchored anew where it is more certain
    than the count.

    A witness that contradicts the count is taken with a spread that reaches half-way back.
    """
    if track.charge is None:
        return anchored(track, charge, spread, at, witness)
    if contradicts(track, chemistry, charge, spread):
        wide = min(SPREAD_MAX, hypot(spread, (charge - track.charge) / 2))
        return anchored(track, charge, wide, at, witness)
    if spread < BETTER * track.spread(chemistry):
        return anchored(track, charge, spread, at, witness)
    return track


def fused(
    track: Track, prior: tuple[float, float], charge: float, spread: float, at: Moment
) -> Track:
    """The count after a rest voltage, weighed against the count before that rest (`prior`;
    all percent and points).

    Two errors that are half alike (`ALIKE`): the optimal weights for that (Bar-Shalom & Campo
    1986, from memory). A witness less than half as sure as the other has no weight at all, and
    however many agree, the spread never falls below 0.87 of the surer one.
    """
    kept, kept_spread = prior
    both = ALIKE * kept_spread * spread
    apart = kept_spread * kept_spread + spread * spread - 2 * both
    share = (kept_spread * kept_spread - both) / apart
    if share >= 1.0:
        return anchored(track, charge, spread, at, REST_VOLTAGE)
    if share <= 0.0:
        return track
    square = (kept_spread * spread) ** 2 * (1 - ALIKE * ALIKE) / apart
    return anchored(track, kept + share * (charge - kept), sqrt(square), at, REST_VOLTAGE)


def _metered(
    chemistry: Chemistry, capacity_ah: float, charge: float | None, cell_w: float, span: Duration
) -> float:
    """Points that a power (W a cell) moves: at the rest voltage half-way (which a point of is by
    definition 1/200), found in two goes."""
    fraction = 0.5 if charge is None else charge / 100
    points = 0.0
    for _ in range(2):
        middle = min(1.0, max(0.0, fraction + points / 200))
        points = 100 * cell_w * span / (HOUR * capacity_ah * rest_voltage(chemistry, middle))
    return points if -inf < points < inf else 0.0

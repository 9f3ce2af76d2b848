"""How long a charge takes: constant current up to the charge voltage, then that voltage held.

Knows a rest curve, a resistance and a charger. Does not know an estimate or its doubt. Exact as
`drain` is: under constant current the time is the charge over the current; at a held voltage V the
current is (V - U) / R, which falls by the same share in each second along a straight stretch of U:
t = Q R / S · ln(I_a / I_b). A real cell tapers longer than its resistance alone says (its slow
polarisation is left out, as in `drain`), so the taper's time is a least one.
"""

from __future__ import annotations

from itertools import pairwise
from math import isfinite, log1p

from carerules.battery.drain import CannotCarry, Curve, curve_v
from carerules.domain.frozen import guarded


@guarded
class Charger:
    """A charger: its current (A), its end voltage for the pack (V), and the current at which it
    ends (A)."""

    a: float
    end_v: float
    taper_a: float


@guarded
class ChargeForecast:
    """What a charge comes to: `time_s` is `steady_s` at full current and `taper_s` at held voltage.

    `energy_wh` goes into the pack at its terminals, `heat_wh` of it is lost in its resistance;
    `end` is the fraction at which it ends: the target, or where the charger ends before it.
    """

    time_s: float
    steady_s: float
    taper_s: float
    charge_ah: float
    energy_wh: float
    heat_wh: float
    end: float


NO_OHM = 1e-9
"""A pack with less than this has no taper: its voltages differ by less than a double can tell."""
HAIR = 1e-9
"""Of the capacity: a stretch no longer than this is none, for a double may see no voltage rise."""


def recharge(
    curve: Curve,
    cells: int,
    capacity_ah: float,
    resistance_ohm: float,
    charger: Charger,
    start: float,
    target: float = 1.0,
) -> ChargeForecast:
    """The charge of a whole pack from the fraction `start` up to `target`, or as far as the charger
    goes. `resistance_ohm` is the pack's with its leads. Raises CannotCarry."""
    _ask_sense(curve, cells, capacity_ah, resistance_ohm, charger, start, target)
    fractions, _ = curve
    charge_c = 3_600 * capacity_ah
    turn_v = charger.end_v - charger.a * resistance_ohm  # rest voltage at which the taper begins
    stop_v = charger.end_v - charger.taper_a * resistance_ohm
    cuts = [start, *(one for one in fractions if start + HAIR < one < target - HAIR), target]
    steady_s = taper_s = energy_j = heat_j = 0.0
    end = start
    for low, high in pairwise(cuts):
        if high - low <= HAIR:
            continue  # nothing to do: it is at its target
        low_v, high_v = curve_v(curve, low) * cells, curve_v(curve, high) * cells
        rise = (high_v - low_v) / (high - low)
        turn = high if high_v <= turn_v else max(low, low + (turn_v - low_v) / rise)
        stop = high if high_v <= stop_v else max(low, low + (stop_v - low_v) / rise)
        turn = min(turn, stop)
        turn_u = low_v + rise * (turn - low)
        moved = charge_c * (turn - low)
        time = moved / charger.a
        steady_s += time
        heat_j += charger.a**2 * resistance_ohm * time
        energy_j += moved * ((low_v + turn_u) / 2 + charger.a * resistance_ohm)
        if stop > turn and resistance_ohm > NO_OHM:
            first_a = (charger.end_v - turn_u) / resistance_ohm
            last_a = (charger.end_v - (low_v + rise * (stop - low))) / resistance_ohm
            moved = charge_c * (stop - turn)
            # ln(Ia/Ib)/(Ia-Ib), written so that a flat stretch loses no digits
            steep = (first_a - last_a) / last_a
            time = moved / last_a * (log1p(steep) / steep if steep else 1.0)
            taper_s += time
            energy_j += charger.end_v * moved
            heat_j += resistance_ohm * moved * (first_a + last_a) / 2
        end = stop
        if stop < high:
            break
    return ChargeForecast(
        steady_s + taper_s, steady_s, taper_s, capacity_ah * (end - start),
        energy_j / 3_600, heat_j / 3_600, end,
    )  # fmt: skip


def _ask_sense(
    curve: Curve, cells: int, capacity_ah: float, ohm: float, charger: Charger,
    start: float, target: float,
) -> None:  # fmt: skip
    fractions, volts = curve
    if not (isfinite(capacity_ah) and capacity_ah > 0 and cells >= 1):
        raise CannotCarry("capacity", f"`{capacity_ah:g}` Ah", "more than 0 Ah")
    if not (isfinite(ohm) and ohm >= 0):
        raise CannotCarry("resistance", f"`{ohm:g}` Ω", "0 Ω or more")
    if not fractions[0] <= start <= target <= fractions[-1]:
        raise CannotCarry(
            "charge",
            f"from `{start:g}` to `{target:g}`",
            f"upwards, between {fractions[0]:g} and {fractions[-1]:g}",
        )
    if not (isfinite(charger.a) and charger.a > 0):
        raise CannotCarry("current", f"`{charger.a:g}` A", "more than 0 A")
    if not 0 < charger.taper_a <= charger.a:
        raise CannotCarry("end of the taper", f"`{charger.taper_a:g}` A", f"up to {charger.a:g} A")
    if not volts[0] * cells < charger.end_v < 2 * volts[-1] * cells:
        raise CannotCarry(
            "charge voltage", f"`{charger.end_v:g}` V", f"about {volts[-1] * cells:.4g} V"
        )

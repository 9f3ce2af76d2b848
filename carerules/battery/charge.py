"""Charge and rest voltage: one from the other, with the doubt of both.

Knows the rest curve. Does not know a pack's history.
"""

from __future__ import annotations

from bisect import bisect_right
from math import hypot, sqrt
from typing import Final

from carerules.battery.chemistry import SPREAD_UNTOLD, Chemistry
from carerules.domain.moment import MINUTE, Duration

END_TOLERANCE_V = 0.01
"""How far outside the curve a rested cell may read and still count as empty or full: chargers end,
and meters read, about 10 mV off (common practice, no source). Beyond it nothing is clamped."""

NOT_SHOWN: Final = "its rest voltage does not show it"
"""Why the charge of a pack is unknown whose curve says that nothing can be read off it."""

SPREAD_MAX = 30.0
"""Points: a charge known to be nothing but 0 to 100 % spreads 29 (an even distribution, by
definition)."""

RELAXATION: tuple[tuple[float, float], ...] = (
    (0.5 * MINUTE, 0.015),
    (10 * MINUTE, 0.007),
    (30 * MINUTE, 0.003),
    (60 * MINUTE, 0.002),
    (180 * MINUTE, 0.001),
)
"""How far from its end a rest voltage still is (V a cell, 1 sigma), after so long a rest.

Rounded up from open pulse measurements on a 30 Ah pouch cell at 25 °C, doi 10.5281/zenodo.2580327
(against one hour: 7-19 mV after half a minute, 1-10 after ten, 0-4 after thirty) and from 3 h being
enough for NMC and LFP: Theuerkauf & Swan 2022, Batteries 8(8):77.
The cold makes it slower: `slowness`."""


SLOW_EACH_K = 15.0
SLOW_MOST = 8.0
"""So many kelvin colder a rest voltage creeps twice as far (the cell above: from 40 to 25 °C; its
run at 10 °C then fits), followed no further than eight times: no data from below 10 °C."""

REFERENCE_C = 25.0
"""°C: what rest curves and resistances are told for, unless a curve says otherwise (common
practice)."""

WARMTH_DOUBT_V_K = 0.00015
"""How far off one coefficient is over the whole curve, V a cell for each kelvin, 1 sigma: the
scatter of ten rests of the cell above between 10, 25 and 40 °C; published coefficients of one cell
lie as far apart over its charge (the chemistry files)."""

PROFILE_DOUBT_V_K = 0.00008
"""The same where the coefficient is known point by point: on the cell above those between 25 and 40
°C and between 10 and 40 °C lie 0.09 mV/K apart (rms, both ends aside), most of it the meter's last
digit."""

HYSTERESIS_SHARE = 0.5
"""How much of a chemistry's hysteresis is taken off, and how much stays in doubt: after a reversal
a cell goes over from one branch to the other over some points of charge, which nobody follows
(judgement, no source)."""


def rest_voltage(chemistry: Chemistry, fraction: float) -> float:
    """Rest voltage of a cell (V) at a charge fraction; outside 0..1 it is our mistake."""
    assert 0 <= fraction <= 1
    fractions, volts = chemistry.fractions, chemistry.volts
    index = min(bisect_right(fractions, fraction), len(fractions) - 1)
    low = fractions[index - 1]
    share = (fraction - low) / (fractions[index] - low)
    return volts[index - 1] + share * (volts[index] - volts[index - 1])


def read_curve(chemistry: Chemistry, cell_v: float, doubt_v: float) -> tuple[float, float] | None:
    """Charge (%) and its spread (points) at a rest voltage (V a cell) known to `doubt_v`; None:
    more than `END_TOLERANCE_V` off the curve, or where it tells nothing (`SPREAD_UNTOLD`). Straight
    lines between the points. Source: `chemistry.sources["rest"]`.

    The meter's doubt is the larger of the two steps to `cell_v` ± `doubt_v`, and the curve's own
    the largest of the three, so that a voltage just above a flat part is not read as sharp as the
    steep part it lies on.
    """
    if _is_off(chemistry, cell_v):
        return None
    charge, own = _point(chemistry, cell_v)
    below, own_below = _point(chemistry, cell_v - doubt_v)
    above, own_above = _point(chemistry, cell_v + doubt_v)
    widest = max(own, own_below, own_above)
    if widest >= SPREAD_UNTOLD:
        return None
    return charge, min(SPREAD_MAX, hypot(widest, max(charge - below, above - charge)))


def volts_at_charge(chemistry: Chemistry, charge: float, doubt: float) -> tuple[float, float]:
    """The rest voltage of a cell (V) at a charge (%) known to `doubt` points, and its spread (V).

    The other way round than `read_curve`, and told where that tells nothing: on a flat curve the
    voltage is all the surer. Twice the spread reaches down to the curve at twice the doubt below,
    and past it by the curve's own spread there, so that a charge just above a knee is not taken for
    the flat part that it lies on.
    """
    cell_v = rest_voltage(chemistry, charge / 100)
    lower_v = rest_voltage(chemistry, max(0.0, charge - 2 * doubt) / 100)
    own_v = _point(chemistry, lower_v)[1] * volts_a_point(chemistry, lower_v)
    return cell_v, (cell_v - lower_v) / 2 + own_v


def _is_off(chemistry: Chemistry, cell_v: float) -> bool:
    volts = chemistry.volts
    # The negated comparison also turns NaN away.
    return not volts[0] - END_TOLERANCE_V <= cell_v <= volts[-1] + END_TOLERANCE_V


def as_on_curve(
    chemistry: Chemistry, cell_v: float, doubt_v: float, warm_c: float | None, lean: float
) -> tuple[float, float]:
    """A rested voltage (V a cell) and its doubt as they would be on the rest curve.

    `warm_c`: the pack's temperature (°C; None: nobody told, taken as the curve's own). `lean`: 1
    after a charge, -1 after a drain, 0 where neither is known.
    """
    warmth_v = 0.0
    if warm_c is not None:
        apart_k = warm_c - chemistry.rest_c
        if chemistry.warmths_v_k:
            cell_v -= _at_volts(chemistry, chemistry.warmths_v_k, cell_v) * apart_k
            warmth_v = PROFILE_DOUBT_V_K * apart_k
        else:
            cell_v -= chemistry.temperature_v_k * apart_k
            warmth_v = WARMTH_DOUBT_V_K * apart_k
    branch_v = chemistry.hysteresis_v
    if lean != 0.0:
        branch_v *= HYSTERESIS_SHARE
        cell_v -= lean * branch_v
    return cell_v, sqrt(doubt_v * doubt_v + warmth_v * warmth_v + branch_v * branch_v)


def slowness(warm_c: float | None) -> float:
    """How many times as far a rest voltage creeps as at 25 °C; nobody told: once."""
    if warm_c is None:
        return 1.0
    times: float = 2.0 ** ((REFERENCE_C - warm_c) / SLOW_EACH_K)
    return min(SLOW_MOST, max(1 / SLOW_MOST, times))


def relaxation_v(rested: Duration) -> float:
    """How far off (V a cell, 1 sigma) a voltage is so long into a rest at 25 °C; straight lines."""
    before, doubt_v = RELAXATION[0]
    if rested <= before:
        return doubt_v
    for after, next_v in RELAXATION:
        if rested < after:
            return doubt_v + (next_v - doubt_v) * (rested - before) / (after - before)
        before, doubt_v = after, next_v
    return doubt_v


def volts_a_point(chemistry: Chemistry, cell_v: float) -> float:
    """How steep the rest curve is at a voltage, V a cell for each point of charge."""
    volts, fractions = chemistry.volts, chemistry.fractions
    index = bisect_right(volts, cell_v, 1, len(volts) - 1)
    rise = volts[index] - volts[index - 1]
    return rise / (100 * (fractions[index] - fractions[index - 1]))


def _at_volts(chemistry: Chemistry, column: tuple[float, ...], cell_v: float) -> float:
    """What stands beside a voltage of the curve; straight lines, level past the ends."""
    volts = chemistry.volts
    index = bisect_right(volts, cell_v, 1, len(volts) - 1)
    share = (cell_v - volts[index - 1]) / (volts[index] - volts[index - 1])
    share = min(1.0, max(0.0, share))
    return column[index - 1] + share * (column[index] - column[index - 1])


def _point(chemistry: Chemistry, cell_v: float) -> tuple[float, float]:
    """Charge (%) and the curve's own spread at a voltage; beyond the ends, those of the end."""
    volts, fractions, spreads = chemistry.volts, chemistry.fractions, chemistry.spreads
    if cell_v <= volts[0]:
        return 0.0, spreads[0]
    if cell_v >= volts[-1]:
        return 100.0, spreads[-1]
    index = bisect_right(volts, cell_v)
    share = (cell_v - volts[index - 1]) / (volts[index] - volts[index - 1])
    charge = fractions[index - 1] + share * (fractions[index] - fractions[index - 1])
    return 100 * charge, spreads[index - 1] + share * (spreads[index] - spreads[index - 1])

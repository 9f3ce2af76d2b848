"""Charge and rest voltage: one from the other, with the doubt of both.

Knows the rest curve. Does not know a pack's history.
"""

from __future__ import annotations

from bisect import bisect_right
from math import hypot
from typing import Final

from carerules.battery.chemistry import SPREAD_UNTOLD, Chemistry
from carerules.domain.moment import MINUTE, Duration, Moment
from carerules.domain.quantity import Known, Reading, Unknown

END_TOLERANCE_V = 0.01
"""How far outside the curve a rested cell may read and still count as empty or full: chargers end,
and meters read, about 10 mV off (common practice, no source). Beyond it nothing is clamped."""

NOT_SHOWN: Final = "its rest voltage does not show it"
"""Why the charge of a pack is unknown whose curve says that nothing can be read off it."""

SPREAD_MAX = 30.0
"""Points: a charge known to be nothing but 0 to 100 % spreads 29 (even distribution)."""

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
enough for NMC and LFP: Theuerkauf & Swan 2022, Batteries 8(8):77. The cold makes it slower; how
much is not in here."""


def rest_voltage(chemistry: Chemistry, fraction: float) -> float:
    """Rest voltage of a cell (V) at a charge fraction; outside 0..1 it is our mistake."""
    assert 0 <= fraction <= 1
    fractions, volts = chemistry.fractions, chemistry.volts
    index = min(bisect_right(fractions, fraction), len(fractions) - 1)
    low = fractions[index - 1]
    share = (fraction - low) / (fractions[index] - low)
    return volts[index - 1] + share * (volts[index] - volts[index - 1])


def charge_at_rest(
    chemistry: Chemistry,
    cell_v: float,
    meter_v: float,
    rested: Duration,
    at: Moment = 0,
    source: str = "rest voltage",
) -> Reading:
    """State of charge (%) read off the rest curve.

    `cell_v` and its spread `meter_v` in V a cell; `rested` since current last flowed: the shorter,
    the wider. Straight lines between the points; `Unknown("implausible")` more than
    `END_TOLERANCE_V` outside them, `Unknown(NOT_SHOWN)` where the curve tells nothing. The spread
    joins the curve's own, the meter's and the rest's, each carried through the curve as it bends
    there. Source: `chemistry.sources["rest"]`.
    """
    found = read_curve(chemistry, cell_v, hypot(meter_v, relaxation_v(rested)))
    if found is None:
        return Unknown("implausible" if _is_off(chemistry, cell_v) else NOT_SHOWN)
    return Known(found[0], found[1], at, source)


def read_curve(chemistry: Chemistry, cell_v: float, doubt_v: float) -> tuple[float, float] | None:
    """Charge (%) and its spread (points) at a rest voltage known to `doubt_v`; None: off it, or
    where it tells nothing (`SPREAD_UNTOLD`).

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


def _is_off(chemistry: Chemistry, cell_v: float) -> bool:
    volts = chemistry.volts
    # The negated comparison also turns NaN away.
    return not volts[0] - END_TOLERANCE_V <= cell_v <= volts[-1] + END_TOLERANCE_V


def relaxation_v(rested: Duration) -> float:
    """How far off (V a cell, 1 sigma) a voltage is after so long a rest; straight lines."""
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

"""Readings straight off a sample: voltage, current, power, temperature, and what its cells show.

Knows one sample. Does not know charge.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import hypot

from carerules.battery.charge import read_curve, rest_voltage, volts_a_point
from carerules.battery.chemistry import Chemistry
from carerules.domain.event import Sample, Value
from carerules.domain.moment import Moment
from carerules.domain.pack import Pack
from carerules.domain.quantity import Known, Reading, Unknown
from carerules.domain.signal import MEASURED_MAX_AGE

CELL_METER_V = 0.005
"""What a meter is trusted to, V a cell, where the sample does not say (no source)."""

HIDDEN_POINTS = 1.5
"""How far the lowest cell is taken to lie from the mean where no cell is seen, points of charge,
1 sigma: twice that is past the two points at which cells count as drifting (no source)."""

HIDDEN_V_MIN = 0.01
"""The least that can hide, V: on a flat curve a point of charge is next to no voltage (no
source)."""

FROM_PACK = "pack voltage"
"""Who says a cell's voltage when it is the pack's voltage shared out evenly."""

# What is trusted where the sample names no spread: a fixed part and a share of the value
# (common practice, no source).
_TRUST: Mapping[str, tuple[float, float]] = {
    "pack.current": (0.02, 0.01),
    "pack.power": (0.5, 0.02),
    "pack.temperature": (1.0, 0.0),
    "pack.cell.min": (CELL_METER_V, 0.0),
    "pack.cell.max": (CELL_METER_V, 0.0),
    "pack.voltage": (0.0, 0.0),  # by its cells
}


def measure(
    readings: dict[str, Reading],
    pack: Pack,
    chemistry: Chemistry,
    sample: Sample,
    seen: Mapping[str, Value],
    cells: tuple[float, ...],
    newest: bool,
) -> None:
    """Write what the sample measured into `readings`.

    `cells`: V, in order. `newest`: nothing newer was heard. Otherwise a newer reading stays.
    """
    at, source = sample.at, sample.source
    for name, value in seen.items():
        trust = _TRUST.get(name)
        if trust is None:
            continue
        number = value.value
        spread = value.spread or (
            CELL_METER_V * pack.cells
            if name == "pack.voltage"
            else trust[0] + trust[1] * abs(number)
        )
        if newest or _is_newer(readings, name, at):
            readings[name] = Known(number, spread, at, source)
    if cells:
        if newest or _is_newer(readings, "pack.cell.min", at):
            _from_cells(readings, sample, cells, "pack.voltage" not in seen)
    elif "pack.cell.min" in seen and "pack.cell.max" in seen:
        low, high = seen["pack.cell.min"], seen["pack.cell.max"]
        spread = (low.spread or CELL_METER_V) + (high.spread or CELL_METER_V)
        if newest or _is_newer(readings, "pack.cell.spread", at):
            apart_v = max(0.0, high.value - low.value)
            readings["pack.cell.spread"] = Known(apart_v, spread, at, source)
    elif "pack.voltage" in seen:
        _from_pack(readings, pack, chemistry, at)


def disown(readings: dict[str, Reading], name: str) -> None:
    """Make a measured signal, or all that cells show, unknown: the last that was sent cannot be."""
    if name == "pack.voltage":
        names = [
            cell
            for cell in ("pack.cell.min", "pack.cell.max")
            if isinstance(shared := readings.get(cell), Known) and shared.source == FROM_PACK
        ]
    elif name == "cells":
        names = ["pack.cell.min", "pack.cell.max", "pack.cell.spread"]
    else:
        names = []
    if name in _TRUST:
        names.append(name)
    for lost in names:
        readings[lost] = Unknown("implausible")


def imbalance(
    chemistry: Chemistry, low_v: float, high_v: float, meter_v: float
) -> tuple[float, float] | None:
    """How far apart two rested cells of a pack are, points of charge, and the doubt of that.

    The curve's own spread is common to both and drops out; the meter's stays, of both (half as much
    again, judgement), at most what says nothing. None: off the curve.
    """
    low, high = read_curve(chemistry, low_v, 0.0), read_curve(chemistry, high_v, 0.0)
    if low is None or high is None:
        return None
    flattest = min(volts_a_point(chemistry, low_v), volts_a_point(chemistry, high_v))
    return high[0] - low[0], min(50.0, 1.5 * meter_v / flattest)


def _from_cells(
    readings: dict[str, Reading], sample: Sample, cells: tuple[float, ...], with_pack: bool
) -> None:
    at, source, spread = sample.at, sample.source, sample.cell_spread
    low, high = min(cells), max(cells)
    readings["pack.cell.min"] = Known(low, spread, at, source)
    readings["pack.cell.max"] = Known(high, spread, at, source)
    readings["pack.cell.spread"] = Known(high - low, spread, at, source)
    if with_pack:
        # Meters that read cells share one reference: their errors add.
        readings["pack.voltage"] = Known(sum(cells), spread * len(cells), at, source)


def _from_pack(readings: dict[str, Reading], pack: Pack, chemistry: Chemistry, at: Moment) -> None:
    pack_v = readings["pack.voltage"]
    if not isinstance(pack_v, Known) or pack_v.at != at:
        return
    lowest = readings.get("pack.cell.min")
    if (
        isinstance(lowest, Known)
        and lowest.source != FROM_PACK
        and at - lowest.at <= MEASURED_MAX_AGE
    ):
        return  # the cells themselves spoke a moment ago
    mean_v, meter_v = pack_v.value / pack.cells, pack_v.spread / pack.cells
    hidden_v = max(HIDDEN_V_MIN, _hidden_v(readings, chemistry, mean_v))
    shared = Known(mean_v, meter_v + hidden_v, at, FROM_PACK)
    readings["pack.cell.min"] = readings["pack.cell.max"] = shared
    readings.pop("pack.cell.spread", None)


def _hidden_v(readings: dict[str, Reading], chemistry: Chemistry, mean_v: float) -> float:
    """How far below the mean a cell may hide, V, 1 sigma.

    Once its cells were seen apart at rest, a pack that shows no cells any more is as uneven as it
    was then; where the curve falls steeply below the mean, that is more than its slope there says.
    """
    points = HIDDEN_POINTS
    apart = readings.get("pack.cell.imbalance")
    if isinstance(apart, Known):
        points = hypot(points, apart.value)
        mean = read_curve(chemistry, mean_v, 0.0)
        if mean is not None:
            lower = max(0.0, mean[0] - points) / 100
            steep = rest_voltage(chemistry, mean[0] / 100) - rest_voltage(chemistry, lower)
            return max(steep, points * volts_a_point(chemistry, mean_v))
    return points * volts_a_point(chemistry, mean_v)


def _is_newer(readings: dict[str, Reading], name: str, at: Moment) -> bool:
    old = readings.get(name)
    return not isinstance(old, Known) or old.at <= at

"""The measured pouch cell and the computed iron phosphate cell, played to the estimate.

Tables and where they come from: `docs/oracles/pouch_cell.py`, `docs/oracles/phosphate_runs.py`.
"""

import csv
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, sqrt
from pathlib import Path
from statistics import median

import numpy as np
from benchpack import LFP, LIPO, MINUTE, START, known

from carerules.battery import Chemistry, Estimate, fresh, rest_voltage, take_sample
from carerules.battery.charge import WARMTH_DOUBT_V_K, read_curve, volts_a_point
from carerules.domain.event import Sample, Value
from carerules.domain.pack import Pack

ORACLES = Path(__file__).parents[2] / "docs" / "oracles"
METER_V = 0.002


@dataclass(frozen=True)
class Minute:
    """What a meter shows, and the true charge (%)."""

    amps: float
    volts: float
    charge: float


@dataclass(frozen=True)
class Seen:
    """One minute of a run: the truth and the reading."""

    amps: float
    charge: float
    value: float
    spread: float
    source: str

    @property
    def error(self) -> float:
        return self.value - self.charge


@dataclass(frozen=True)
class Wrong:
    """What is wrong in a run: the start (points), the label (a share), the current meter."""

    start: float = 0.0
    label: float = 1.0
    gain: float = 1.0
    offset_a: float = 0.0


def _rows(name: str) -> list[dict[str, str]]:
    with (ORACLES / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


_CURVE = _rows("pouch_cell_rest.csv")
POUCH_AH = float(_CURVE[0]["capacity_ah"])
CURVE_C = 40


def pouch(celsius: int) -> list[Minute]:
    return [
        Minute(float(row["amps"]), float(row["volts"]),
               100 - 100 * float(row["below_full_ah"]) / POUCH_AH)
        for row in _rows("pouch_cell.csv") if int(row["celsius"]) == celsius
    ]  # fmt: skip


def pouch_without(celsius: int, *, profile: bool = True) -> Chemistry:
    """The cell as known without its run at this temperature (°C): the curve is that of 40 °C, how
    it moves with warmth and its spread are from the third run.

    `profile`: warmth point by point; otherwise one coefficient for the whole curve, their median.
    """
    third = {10: 25, 25: 10, 40: 25}[celsius]
    charges = [float(row["charge"]) for row in _CURVE]
    cell = replace(
        LIPO, name="pouch", rest_c=CURVE_C, resistance_mohm_ah=75.0, warmths_v_k=(),
        fractions=tuple(charge / 100 for charge in charges),
        volts=tuple(float(row["volts"]) for row in _CURVE),
        spreads=tuple(0.5 for _ in _CURVE),
    )  # fmt: skip
    apart_k, rests = third - CURVE_C, sorted(_rests(pouch(third)), key=lambda one: one.charge)
    moved = [(one.volts - rest_voltage(cell, one.charge / 100)) / apart_k for one in rests]
    if profile:
        at = [one.charge for one in rests]
        # The least that a file may claim: a meter's last digit, 1 mV of 4 to 10 a point.
        spreads = tuple(0.1 for _ in _CURVE)
        return replace(cell, warmths_v_k=tuple(np.interp(charges, at, moved)), spreads=spreads)
    one_v_k = median(moved)
    cell = replace(cell, temperature_v_k=one_v_k)
    errors = [
        (read[0] - one.charge) ** 2 - (WARMTH_DOUBT_V_K * apart_k / steep) ** 2
        for one in rests
        if (read := read_curve(cell, one.volts - one_v_k * apart_k, 0.0)) is not None
        and (steep := volts_a_point(cell, one.volts))
    ]
    spread = sqrt(max(0.3**2, sum(errors) / len(errors)))
    return replace(cell, spreads=tuple(spread for _ in _CURVE))


def _rests(minutes: Sequence[Minute]) -> list[Minute]:
    """The last minute of each rest of fifty minutes and more, from full on."""
    found, rested = [], 0
    full = max(range(len(minutes)), key=lambda index: minutes[index].charge)
    for index, one in enumerate(minutes):
        flows = abs(one.amps) > 0.06
        if flows and rested >= 50 and index > full:
            found.append(minutes[index - 1])
        rested = 0 if flows else rested + 1
    return found


PHOSPHATE_AH = 20.0


def phosphate(shift_mv: int) -> list[Minute]:
    return [
        Minute(float(row["amps"]), float(row["volts"]), float(row["charge"]))
        for row in _rows("phosphate_runs.csv") if int(row["shift_mv"]) == shift_mv
    ]  # fmt: skip


def phosphate_leaning(hysteresis_v: float) -> list[Minute]:
    """The run half-way between both shifts, its voltage above by `hysteresis_v` after a charge and
    below after a drain. It goes over within some points, as exp(-0.3 for each): the one-state model
    of hysteresis (Plett 2004, doi 10.1016/j.jpowsour.2004.02.032; both from memory)."""
    found: list[Minute] = []
    lean = -1.0
    for low, high in zip(phosphate(-8), phosphate(8), strict=False):
        moved = low.charge - found[-1].charge if found else 0.0
        if moved:
            lean += (1 - exp(-0.3 * abs(moved))) * ((1 if moved > 0 else -1) - lean)
        volts = (low.volts + high.volts) / 2 + hysteresis_v * lean
        found.append(Minute(low.amps, volts, low.charge))
    return found


def play(
    minutes: Sequence[Minute],
    chemistry: Chemistry,
    capacity_ah: float,
    wrong: Wrong,
    celsius: float | None = None,
) -> tuple[list[Seen], Estimate]:
    """Each minute as the estimate saw it, one cell, a charge said at the start and no more.

    `celsius` None: nobody tells the temperature.
    """
    pack = Pack("heron", chemistry.name, 1, capacity_ah * wrong.label, LIPO.limits)
    said = min(100.0, max(0.0, minutes[0].charge + wrong.start))
    start = Sample(START, START, "heron", (Value("pack.soc", said, 10.0),), "a person")
    estimate = take_sample(fresh(pack), pack, chemistry, start)
    seen = []
    for index, minute in enumerate(minutes):
        at = START + index * MINUTE
        values = (
            Value("pack.current", wrong.gain * minute.amps + wrong.offset_a),
            Value("pack.voltage", minute.volts, METER_V),
            *(() if celsius is None else (Value("pack.temperature", celsius),)),
        )
        estimate = take_sample(estimate, pack, chemistry, Sample(at, at, "heron", values, "feed"))
        soc = known(estimate)
        seen.append(Seen(minute.amps, minute.charge, soc.value, soc.spread, soc.source))
    return seen, estimate


def from_charge(minutes: Sequence[Minute]) -> Sequence[Minute]:
    """From where the charge begins: before it the cell was drained below its curve."""
    first = next(index for index, minute in enumerate(minutes) if minute.amps > 5)
    return minutes[first:]


def from_rest(minutes: Sequence[Minute]) -> Sequence[Minute]:
    """From half an hour before the charge ends."""
    full = max(range(len(minutes)), key=lambda index: minutes[index].charge)
    return minutes[full - 30 :]


def after_first_rest(seen: Sequence[Seen]) -> Sequence[Seen]:
    """From the end of the first half hour of rest on."""
    rested = 0
    for index, one in enumerate(seen):
        flows = abs(one.amps) > 0.06
        if flows and rested >= 30:
            return seen[index:]
        rested = 0 if flows else rested + 1
    raise AssertionError("there is no rest in this run")


def rmse(seen: Sequence[Seen]) -> float:
    return sqrt(sum(one.error**2 for one in seen) / len(seen))


def within_two_sigma(seen: Sequence[Seen]) -> int:
    return sum(abs(one.error) <= 2 * one.spread for one in seen)


__all__ = [
    "LFP", "METER_V", "PHOSPHATE_AH", "POUCH_AH", "Minute", "Seen", "Wrong",
    "after_first_rest", "from_charge", "from_rest", "phosphate",
    "phosphate_leaning", "play", "pouch", "pouch_without", "rmse",
    "within_two_sigma",
]  # fmt: skip

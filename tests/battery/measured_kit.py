"""The measured pouch cell and the computed iron phosphate cell, played to the estimate.

Tables and where they come from: `docs/oracles/pouch_cell.py`, `docs/oracles/phosphate_runs.py`.
"""

import csv
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import sqrt
from pathlib import Path

from benchpack import LFP, LIPO, MINUTE, START, known

from carerules.battery import Chemistry, Estimate, fresh, take_sample
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
# 0.8 points is a judgement. Against the curve of 40 °C the rests of the held-out runs lie 0.1 to
# 1.1 points off at 25 °C and 0.1 to 2.0 at 10 °C.
POUCH: Chemistry = replace(
    LIPO, name="pouch",
    fractions=tuple(float(row["charge"]) / 100 for row in _CURVE),
    volts=tuple(float(row["volts"]) for row in _CURVE),
    spreads=tuple(0.8 for _ in _CURVE), resistance_mohm_ah=75.0,
)  # fmt: skip


def pouch(celsius: int) -> list[Minute]:
    return [
        Minute(float(row["amps"]), float(row["volts"]),
               100 - 100 * float(row["below_full_ah"]) / POUCH_AH)
        for row in _rows("pouch_cell.csv") if int(row["celsius"]) == celsius
    ]  # fmt: skip


PHOSPHATE_AH = 20.0


def phosphate(shift_mv: int) -> list[Minute]:
    return [
        Minute(float(row["amps"]), float(row["volts"]), float(row["charge"]))
        for row in _rows("phosphate_runs.csv") if int(row["shift_mv"]) == shift_mv
    ]  # fmt: skip


def play(
    minutes: Sequence[Minute], chemistry: Chemistry, capacity_ah: float, wrong: Wrong
) -> tuple[list[Seen], Estimate]:
    """Each minute as the estimate saw it, one cell, a charge said at the start and no more."""
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
    "LFP", "METER_V", "PHOSPHATE_AH", "POUCH", "POUCH_AH", "Minute", "Seen", "Wrong",
    "after_first_rest", "from_charge", "from_rest", "phosphate", "play", "pouch", "rmse",
    "within_two_sigma",
]  # fmt: skip

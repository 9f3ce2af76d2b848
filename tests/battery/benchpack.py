"""The packs on the test bench, and short ways to say a sample."""

import csv
import math
from dataclasses import dataclass, replace
from pathlib import Path

from carerules.battery import (
    Chemistry,
    Estimate,
    fresh,
    read_curve,
    relaxation_v,
    shipped_chemistries,
    take_sample,
)
from carerules.battery.charge import as_on_curve
from carerules.domain.event import Sample, Value
from carerules.domain.moment import HOUR, MINUTE, Duration, Moment
from carerules.domain.pack import Pack
from carerules.domain.quantity import Known

CHEMISTRIES = shipped_chemistries()
LIPO = CHEMISTRIES["lipo"]
LFP = CHEMISTRIES["lifepo4"]
HERON = Pack("heron", "lipo", 4, 16.0, LIPO.limits)
EGRET = Pack("egret", "lifepo4", 4, 20.0, LFP.limits)

START: Moment = 1_000 * HOUR


@dataclass(frozen=True)
class Row:
    family: str
    set: str
    doi: str
    charge: float
    volts: float


def published() -> list[Row]:
    with (Path(__file__).parent / "published_rest_curves.csv").open(encoding="utf-8") as file:
        return [
            Row(row["family"], row["set"], row["doi"], float(row["charge"]), float(row["volts"]))
            for row in csv.DictReader(file)
        ]


def rested(
    chemistry: Chemistry, cell_v: float, meter_v: float, time: Duration
) -> tuple[float, float] | None:
    """Charge (%) and spread (points) of a cell that rested for `time`: what the service does with
    the first voltage of a rest, whose temperature and past nobody told."""
    doubt_v = math.hypot(meter_v, relaxation_v(time))
    return read_curve(chemistry, *as_on_curve(chemistry, cell_v, doubt_v, None, 0.0))


def say(
    at: Moment,
    *,
    cells: tuple[float, ...] = (),
    source: str = "feed",
    pack: Pack = HERON,
    spread: float = 0.0,
    **values: float,
) -> Sample:
    """`say(at, voltage=15.2, current=0)`: a sample of those `pack.*` signals."""
    listed = tuple(Value(f"pack.{name}", value, spread) for name, value in values.items())
    return Sample(at, at, pack.name, listed, source, cells)


def heard(*samples: Sample, pack: Pack = HERON, chemistry: Chemistry = LIPO) -> Estimate:
    estimate = fresh(pack)
    for sample in samples:
        estimate = take_sample(estimate, pack, chemistry, sample)
    return estimate


def known(estimate: Estimate, name: str = "pack.soc") -> Known:
    reading = estimate.readings[name]
    assert isinstance(reading, Known), (name, reading)
    return reading


def minutes(estimate: Estimate, start: Moment, count: int, **values: float) -> Estimate:
    """The estimate after so many samples of those values, one a minute from `start`."""
    for minute in range(count):
        estimate = take_sample(estimate, HERON, LIPO, say(start + minute * MINUTE, **values))
    return estimate


def sharp(chemistry: Chemistry) -> Chemistry:
    """The chemistry as if its curve were exactly this pack's: only the method is then in doubt."""
    return replace(chemistry, spreads=tuple(0.5 for _ in chemistry.spreads))


__all__ = [
    "CHEMISTRIES", "EGRET", "HERON", "HOUR", "LFP", "LIPO", "MINUTE", "START", "Row", "heard",
    "known", "minutes", "published", "say", "sharp",
]  # fmt: skip

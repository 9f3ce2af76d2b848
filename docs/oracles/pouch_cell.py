"""Measured pulses of a 30 Ah pouch cell, thinned to one sample a minute: `pouch_cell.csv`.

And its rest curve from the run at 40 °C alone, so that those at 25 and 10 °C are held out:
`pouch_cell_rest.csv`.

Data: Wiggins, Allu and Wang 2019, "Battery cell data from a 2013 Nissan Leaf", Oak Ridge National
Laboratory, doi 10.5281/zenodo.2580327, MIT; as packed in the source distribution celljar 0.2.1
(MIT). One cell (LMO/NCA blend against graphite), charged at 10 A to 4.2 V, then ten steps of 10 A
for 18 minutes with pulses of 30 A and an hour of rest each, at 10, 25 and 40 °C.

    pip download --no-deps --no-binary :all: celljar==0.2.1
    python docs/oracles/pouch_cell.py celljar-0.2.1.tar.gz

The charge below full is the current summed over every row that the cycler wrote.
`amps` is the mean of the minute before, as a meter that reports once a minute gives it; `volts` is
what the cycler wrote last. A meter that shows the current of the instant instead misses pulses:
`at_the_instant` thins like that, for `tests/oracle`.
"""

from __future__ import annotations

import csv
import io
import sys
import tarfile
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

FOLDER = Path(__file__).parent
SAMPLES, CURVE = "pouch_cell.csv", "pouch_cell_rest.csv"
EMPTY_V = 3.12
"""About where the cell came to rest after 3.0 V: it was seen at 3.08 V after a deeper drain."""
TEMPERATURES = (10, 25, 40)
_RAW = "celljar-0.2.1/data/raw/ornl_leaf/cell-low-current-hppc-{}c.csv"


class Row(NamedTuple):
    """What the cycler wrote: seconds, amperes into the cell, volts, ampere hours moved."""

    time_s: float
    amps: float
    volts: float
    charge_ah: float


def raw_rows(archive: Path, temperature: int) -> list[Row]:
    """Everything measured at one temperature (°C)."""
    with tarfile.open(archive) as packed:
        member = packed.extractfile(_RAW.format(temperature))
        assert member is not None
        text = member.read().decode("utf-8")
    found: list[Row] = []
    counted_as, before = 0.0, None
    for line in csv.reader(io.StringIO(text)):
        if not line or line[1] == "Time(s)":
            continue
        time_s, amps, volts = float(line[1]), float(line[8]), float(line[9])
        # A row tells of the time up to it: the first one of a step already has the new current.
        counted_as += 0.0 if before is None else amps * (time_s - before)
        found.append(Row(time_s, amps, volts, counted_as / 3_600))
        before = time_s
    return found


def at_the_instant(rows: list[Row], every_s: float = 60.0, phase_s: float = 0.0) -> list[Row]:
    """What was last written at each `every_s`, from `phase_s` on."""
    found: list[Row] = []
    due = rows[0].time_s + phase_s
    for row, following in zip(rows, [*rows[1:], rows[-1]], strict=True):
        while due <= row.time_s or (due < following.time_s and row.time_s <= due):
            found.append(row._replace(time_s=due))
            due += every_s
    return found


def by_mean(rows: list[Row], every_s: float = 60.0, phase_s: float = 0.0) -> list[Row]:
    """The same, with the mean current of the time before."""
    found = at_the_instant(rows, every_s, phase_s)
    for index in range(len(found) - 1, 0, -1):
        moved_ah = found[index].charge_ah - found[index - 1].charge_ah
        found[index] = found[index]._replace(amps=moved_ah * 3_600 / every_s)
    return found


def full_ah(rows: list[Row]) -> float:
    """The count at the end of the charge."""
    return max(row.charge_ah for row in rows)


def capacity_ah(rows: list[Row]) -> float:
    """From the end of the charge to 3.0 V at 10 A."""
    return full_ah(rows) - rows[-1].charge_ah


def rests(rows: list[Row]) -> list[tuple[float, float]]:
    """Charge below full (Ah) and the last voltage of each hour of rest from full on."""
    found: list[tuple[float, float]] = []
    began: float | None = None
    full = full_ah(rows)
    filled = False
    for row, following in zip(rows, [*rows[1:], rows[-1]], strict=True):
        filled = filled or row.charge_ah >= full
        if abs(row.amps) > 0.05:
            began = None
            continue
        began = row.time_s if began is None else began
        ends = abs(following.amps) > 0.05
        if filled and ends and row.time_s - began >= 3_000:
            found.append((full - row.charge_ah, row.volts))
    return found


def rest_curve(rows: list[Row], step: float = 2.5) -> list[tuple[float, float]]:
    """Points of charge and rest voltage, empty to full: a smooth line through the rests.

    Cubic between two rests, slopes the harmonic mean of both sides (Fritsch and Butland 1984, from
    memory), so that it bends no more than the rests do. Below the last rest a straight line to
    the voltage at which the cell came to rest after 3.0 V under load.
    """
    capacity = capacity_ah(rows)
    knots = sorted((100 - 100 * below / capacity, volts) for below, volts in rests(rows))
    knots = [(0.0, EMPTY_V), *knots[:-1], (100.0, knots[-1][1])]
    rises = [(v2 - v1) / (z2 - z1) for (z1, v1), (z2, v2) in pairwise(knots)]
    slopes = [rises[0], *(2 * a * b / (a + b) for a, b in pairwise(rises)), rises[-1]]
    found = []
    for tenth in range(0, 1_001, round(10 * step)):
        z = tenth / 10
        index = min(sum(z > knot[0] for knot in knots[1:]), len(rises) - 1)
        (z1, v1), (z2, v2) = knots[index], knots[index + 1]
        width = z2 - z1
        t = (z - z1) / width
        found.append((z, (
            v1 * (1 + 2 * t) * (1 - t) ** 2 + v2 * t * t * (3 - 2 * t)
            + width * (slopes[index] * t * (1 - t) ** 2 - slopes[index + 1] * t * t * (1 - t))
        )))  # fmt: skip
    return found


def main(archive: Path, folder: Path = FOLDER) -> None:
    """Write both tables."""
    raw = {temperature: raw_rows(archive, temperature) for temperature in TEMPERATURES}
    with (folder / SAMPLES).open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["celsius", "minute", "amps", "volts", "below_full_ah"])
        for temperature, rows in raw.items():
            full = full_ah(rows)
            for minute, row in enumerate(by_mean(rows)):
                below = f"{full - row.charge_ah:.4f}"
                writer.writerow([temperature, minute, f"{row.amps:.3f}", row.volts, below])
    with (folder / CURVE).open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["capacity_ah", "charge", "volts"])
        for charge, volts in rest_curve(raw[40]):
            writer.writerow([f"{capacity_ah(raw[40]):.4f}", charge, f"{volts:.4f}"])


if __name__ == "__main__":
    main(Path(sys.argv[1]))

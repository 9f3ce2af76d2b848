"""Make `slope_bands.csv` anew: scipy's Theil-Sen slopes of invented points, with 95 % bands.

    python slope_bands.py [FOLDER]

Needs scipy. A row: slope, low, high, then the points x y x y ...; all `x` differ.
"""

from __future__ import annotations

import csv
import sys
from importlib.metadata import version
from pathlib import Path
from random import Random

from scipy.stats import theilslopes


def main(folder: Path) -> None:
    """Write the table."""
    chance = Random(20261125)
    with (folder / "slope_bands.csv").open("w", encoding="utf-8", newline="") as file:
        file.write(f"# scipy {version('scipy')}, BSD-3-Clause; made by slope_bands.py\n")
        out = csv.writer(file, lineterminator="\n")
        for _ in range(30):
            count = chance.randint(6, 24)
            xs = sorted(chance.sample(range(1_000), count))
            ys = [round(100 - 0.03 * x + chance.gauss(0, 2), 3) for x in xs]
            if chance.random() < 0.5:
                ys[chance.randrange(count)] = round(chance.uniform(0, 300), 3)
            found = theilslopes(ys, xs, 0.95)
            numbers = (found.slope, found.low_slope, found.high_slope)
            points = [number for pair in zip(xs, ys, strict=True) for number in pair]
            out.writerow([*(f"{one:.12g}" for one in numbers), *points])


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)

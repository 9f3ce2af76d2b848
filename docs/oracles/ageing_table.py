"""Make `ageing.csv` anew: what blast-lite says of the cells that ours were made for.

    python ageing_table.py [FOLDER]

Needs blast-lite 1.1.1, which wants numpy below 2: an environment of its own (README.md).
Stored: hourly steps at one charge and temperature. Cycled: one full swing of a depth a day around
50 %, at a rate, for a year; of its answer only the part that is laid to use.
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Callable, Iterator
from importlib.metadata import version
from pathlib import Path

import numpy as np
from blast import models

DAY_S = 86_400

CELLS: dict[str, tuple[Callable[[], object], str, str]] = {
    # our cell: the library's model, and its outputs laid to time and to use
    "nmc-schmalstieg-2014": (models.Nmc111_Gr_Sanyo2Ah_Battery, "q_t", "q_EFC"),
    "nca-keil-2016": (models.Nca_Gr_Panasonic3Ah_Battery, "q_t", "q_EFC"),
    "nmc811-everlasting-2020": (models.Nmc811_GrSi_LGMJ1_4Ah_Battery, "q_t", "q_EFC"),
    "nmc-kokam-2017": (models.Nmc111_Gr_Kokam75Ah_Battery, "q_LLI_t", ""),
    "lfp-naumann-2018": (models.Lfp_Gr_SonyMurata3Ah_Battery, "q_LLI_t", "q_LLI_EFC"),
    "lfp-prismatic-2023": (models.Lfp_Gr_250AhPrismatic, "q_t", "q_EFC"),
    "lto-2020": (models.Nmc_Lto_10Ah_Battery, "", "q_EFC"),
}  # fmt: skip


def stored(make: Callable[[], object], key: str, charge: int, temp_c: int, days: int) -> float:
    """Percent lost by lying."""
    seconds = np.arange(0, days * DAY_S + 1, DAY_S / 4)
    cell = make()
    cell.simulate_battery_life(
        {"Time_s": seconds, "SOC": np.full(len(seconds), charge / 100),
         "Temperature_C": np.full(len(seconds), float(temp_c))},
        is_conserve_energy_throughput=False,
    )  # fmt: skip
    return 100 * (1 - float(cell.outputs[key][-1]))


def cycled(
    make: Callable[[], object], key: str, depth: int, rate: float, temp_c: int, cycles: int
) -> tuple[float, float]:
    """Percent lost by use, and the full cycles' worth that the library counted."""
    half = 3_600 * depth / 100 / rate
    # Nothing but the swing: its C-rate is a mean over the whole stretch.
    swing = np.arange(0, 2 * half, half / 20)
    seconds = np.concatenate([swing + 2 * half * n for n in range(cycles)])
    phase = (seconds % (2 * half)) / half
    level = 0.5 + depth / 200 * (1 - 2 * np.abs(1 - phase))
    cell = make()
    cell.simulate_battery_life(
        {"Time_s": seconds, "SOC": level, "Temperature_C": np.full(len(seconds), float(temp_c))},
        is_conserve_energy_throughput=False,
    )
    return 100 * (1 - float(cell.outputs[key][-1])), float(cell.stressors["efc"][-1])


def rows() -> Iterator[tuple[object, ...]]:
    """Every case: cell, kind, percent of charge or depth, C-rate, °C, days or cycles, percent."""
    for name, (make, by_time, by_use) in CELLS.items():
        if by_time:
            for charge in (10, 30, 50, 65, 80, 100):
                for temp_c in (10, 25, 40):
                    for days in (30, 365, 1_095):
                        lost = stored(make, by_time, charge, temp_c, days)
                        yield name, "stored", charge, "", temp_c, days, f"{lost:.5g}"
        if by_use:
            for depth, rate, temp_c in (
                (100, 1, 25),
                (80, 1, 25),
                (40, 1, 25),
                (80, 0.5, 25),
                (80, 1, 40),
            ):
                lost, efc = cycled(make, by_use, depth, rate, temp_c, 300)
                yield name, "cycled", depth, rate, temp_c, f"{efc:.4f}", f"{lost:.5g}"


def main(folder: Path) -> None:
    """Write the table."""
    with (folder / "ageing.csv").open("w", encoding="utf-8", newline="") as file:
        file.write(f"# blast-lite {version('blast-lite')}, BSD-3-Clause; made by ageing_table.py\n")
        out = csv.writer(file, lineterminator="\n")
        out.writerow(
            ("cell", "kind", "percent", "rate_c", "temp_c", "days_or_cycles", "lost_percent")
        )
        out.writerows(rows())


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)

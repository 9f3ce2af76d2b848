"""29 hours of a lithium iron phosphate cell as pybamm computes them: `phosphate_runs.csv`.

Model: `equivalent_circuit.Thevenin` of pybamm 26.10 (BSD-3-Clause; Sulzer et al. 2021, doi
10.5334/jors.309), its example parameters for heat; capacity, resistances and rest voltage are set
here. The rest voltage is the measured 3 Ah cell of Naumann et al. 2018, doi
10.1016/j.est.2018.01.019, as tabulated in simses 1.3.12 (BSD-3), shifted by 8 mV up in one run and
down in the other: about the distance between charging and discharging (hysteresis, from memory).

    python -m pip install pybamm==26.10.0.0
    python docs/oracles/phosphate_runs.py

`amps` is positive into the cell, one sample a minute; `charge` is the model's own (%).
"""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pybamm

FOLDER = Path(__file__).parent
TABLE = "phosphate_runs.csv"
CHEMISTRY = FOLDER.parents[1] / "carerules" / "battery" / "chemistries" / "lifepo4.toml"
CAPACITY_AH = 20.0
SHIFTS_V = (-0.008, 0.008)
DAY = (
    "Discharge at 6 A for 90 minutes",
    "Rest for 120 minutes",
    "Discharge at 10 A for 30 minutes",
    "Rest for 180 minutes",
    "Charge at 6 A for 60 minutes",
    "Rest for 120 minutes",
    "Discharge at 4 A for 60 minutes",
    "Rest for 90 minutes",
)
FILL = (
    "Charge at 8 A until 3.6 V",
    "Hold at 3.6 V until 0.6 A",
    "Rest for 120 minutes",
)


def run(shift_v: float) -> list[tuple[float, float, float]]:
    """Amperes, volts and charge at each minute."""
    points = tomllib.loads(CHEMISTRY.read_text(encoding="utf-8"))["rest"]["points"]
    fractions = np.array([point[0] / 100 for point in points])
    volts = np.array([point[1] for point in points]) + shift_v

    def rest_v(charge: Any) -> Any:
        return pybamm.Interpolant(fractions, volts, charge, "rest voltage")

    model = pybamm.equivalent_circuit.Thevenin()
    values = model.default_parameter_values
    values.update({
        "Cell capacity [A.h]": CAPACITY_AH, "Nominal cell capacity [A.h]": CAPACITY_AH,
        "Open-circuit voltage [V]": rest_v, "R0 [Ohm]": 0.004, "R1 [Ohm]": 0.002, "C1 [F]": 2e5,
        "Initial SoC": 0.85, "Upper voltage cut-off [V]": 3.7, "Lower voltage cut-off [V]": 2.0,
        "Entropic change [V/K]": 0.0,
    })  # fmt: skip
    experiment = pybamm.Experiment([*DAY, *FILL, *DAY], period="1 minute")
    solved = pybamm.Simulation(model, experiment=experiment, parameter_values=values).solve()
    seconds = np.arange(0.0, float(solved.t[-1]), 60.0)
    return [
        (-float(amps), float(volt), 100 * float(soc))
        for amps, volt, soc in zip(
            solved["Current [A]"](seconds), solved["Voltage [V]"](seconds),
            solved["SoC"](seconds), strict=True,
        )
    ]  # fmt: skip


def main(folder: Path = FOLDER) -> None:
    """Write the table."""
    with (folder / TABLE).open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["shift_mv", "minute", "amps", "volts", "charge"])
        for shift_v in SHIFTS_V:
            for minute, (amps, volts, charge) in enumerate(run(shift_v)):
                words = [f"{amps + 0.0:.3f}", f"{volts:.4f}", f"{charge:.3f}"]
                writer.writerow([round(1_000 * shift_v), minute, *words])


if __name__ == "__main__":
    main()

"""Make `drains.csv` anew: what pybamm's Thevenin model and scipy say of invented drains.

    python drain_table.py [FOLDER]

Needs pybamm 26.10 (README.md). Both see the same straight lines between the points of a rest curve
and one resistance; pybamm integrates its circuit, scipy dz/dt = -I / Q by itself, from point to
point of the curve, so that no step runs over a bend. Charges (constant current, then constant
voltage) and a warming lump of heat are scipy's alone.
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Callable, Iterator, Sequence
from importlib.metadata import version
from itertools import pairwise
from math import sqrt
from pathlib import Path

import numpy as np
import pybamm
from scipy.integrate import solve_ivp

CURVES: dict[str, tuple[Sequence[float], Sequence[float]]] = {
    # Ai 2020, doi 10.1149/2.0122001JES, and the cell of Naumann 2018, doi 10.1016/j.est.2018.01.019
    "lco": ((0, 0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 0.8, 0.9, 1.0),
            (3.0, 3.5421, 3.6396, 3.6954, 3.7331, 3.7925, 3.9089, 3.9945, 4.0879, 4.2)),
    "lfp": ((0, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 0.95, 0.98, 1.0),
            (2.0, 3.0502, 3.1894, 3.2307, 3.2897, 3.3031, 3.3248, 3.344, 3.3479, 3.6)),
}  # fmt: skip

DRAINS: Sequence[tuple[str, int, float, float, str, float, float, float]] = (
    # curve, cells, Ah, ohm, load, its size, start, target
    ("lco", 6, 16.0, 0.03, "current", 8.0, 1.0, 0.5),
    ("lco", 6, 16.0, 0.03, "power", 60.0, 1.0, 0.8),
    ("lco", 6, 16.0, 0.03, "power", 200.0, 0.95, 0.45),
    ("lco", 4, 5.2, 0.08, "resistor", 4.0, 1.0, 0.3),
    ("lco", 4, 5.2, 0.08, "power", 250.0, 0.9, 0.1),
    ("lco", 2, 5.2, 0.04, "resistor", 1.5, 0.77, 0.33),
    ("lfp", 4, 20.0, 0.012, "current", 20.0, 0.99, 0.15),
    ("lfp", 4, 20.0, 0.012, "power", 100.0, 0.98, 0.6),
    ("lfp", 8, 50.0, 0.02, "resistor", 3.0, 0.9, 0.2),
)
CHARGES = (
    # curve, cells, Ah, ohm, amperes, end V, taper A, start, target
    ("lco", 6, 16.0, 0.03, 8.0, 25.2, 0.8, 0.2, 1.0),
    ("lco", 6, 16.0, 0.09, 16.0, 25.2, 0.8, 0.45, 1.0),
    ("lco", 4, 5.2, 0.08, 5.2, 16.8, 0.26, 0.3, 0.95),
    ("lfp", 4, 20.0, 0.012, 10.0, 14.4, 1.0, 0.1, 1.0),
)
WARMINGS = (
    # J/K, W/K, start °C, air °C, seconds and watts twice
    (2_000.0, 0.4, 20.0, 20.0, 3_600.0, 2.0, 7_200.0, 0.5),
    (800.0, 0.25, 35.0, 10.0, 600.0, 12.0, 3_600.0, 0.0),
)
TIGHT = {"rtol": 1e-12, "atol": 1e-13, "method": "DOP853"}


def current(load: str, size: float, volts: float, ohm: float) -> float:
    """The load's current at a rest voltage, by Kirchhoff."""
    if load == "current":
        return size
    if load == "resistor":
        return volts / (ohm + size)
    return (volts - sqrt(volts * volts - 4 * ohm * size)) / (2 * ohm)


def by_scipy(name: str, cells: int, ah: float, ohm: float, load: str, size: float,
             start: float, target: float) -> float:  # fmt: skip
    """Seconds, with charge as the running variable so that each stretch ends exactly."""
    fractions, volts = CURVES[name]
    cuts = [start, *[z for z in reversed(fractions) if target < z < start], target]

    def slower(z: float, _t: np.ndarray) -> list[float]:
        rest = cells * float(np.interp(z, fractions, volts))
        return [-3_600 * ah / current(load, size, rest, ohm)]

    time = 0.0
    for high, low in pairwise(cuts):
        time = float(solve_ivp(slower, (high, low), [time], **TIGHT).y[0][-1])
    return time


def by_pybamm(name: str, cells: int, ah: float, ohm: float, load: str, size: float,
              start: float, target: float) -> float:  # fmt: skip
    """Seconds until pybamm's circuit without RC pairs comes to the target, stretch by stretch."""
    fractions, _ = CURVES[name]
    cuts = [start, *[z for z in reversed(fractions) if target < z < start], target]
    return sum(
        _one_stretch(name, cells, ah, ohm, load, size, high, low) for high, low in pairwise(cuts)
    )


def _one_stretch(name: str, cells: int, ah: float, ohm: float, load: str, size: float,
                 start: float, target: float) -> float:  # fmt: skip
    high_v, low_v = (cells * float(np.interp(z, *CURVES[name])) for z in (start, target))

    def rest(z: pybamm.Symbol) -> pybamm.Symbol:
        return low_v + (z - target) * ((high_v - low_v) / (start - target))

    mode = {"current": "current", "power": "power", "resistor": "resistance"}[load]
    model = pybamm.equivalent_circuit.Thevenin(
        options={"number of rc elements": 0, "operating mode": mode}
    )
    model.events = [pybamm.Event("at the target", model.variables["SoC"] - target)]
    values = pybamm.ParameterValues("ECM_Example")
    key = {"current": "Current function [A]", "power": "Power function [W]",
           "resistor": "Resistance function [Ohm]"}[load]  # fmt: skip
    values.update({
        "Cell capacity [A.h]": ah, "Nominal cell capacity [A.h]": ah, "Initial SoC": start,
        "Open-circuit voltage [V]": rest, "R0 [Ohm]": ohm, "Entropic change [V/K]": 0,
        "Lower voltage cut-off [V]": 0.1, "Upper voltage cut-off [V]": 999, key: size,
    }, check_already_exists=False)  # fmt: skip
    solver = pybamm.IDAKLUSolver(rtol=1e-11, atol=1e-13)
    sim = pybamm.Simulation(model, parameter_values=values, solver=solver)
    wanted = by_scipy(name, cells, ah, ohm, load, size, start, target)
    solution = sim.solve(np.linspace(0, 1.05 * wanted, 4_000))
    return float(solution.t_event[0])


def charged(name: str, cells: int, ah: float, ohm: float, amps: float, end_v: float,
            taper_a: float, start: float, target: float) -> tuple[float, float]:  # fmt: skip
    """Seconds at full current and at held voltage."""
    fractions, volts = CURVES[name]

    def flow(z: float) -> float:
        return min(amps, (end_v - cells * float(np.interp(z, fractions, volts))) / ohm)

    def slower(z: float, _t: np.ndarray) -> list[float]:
        return [3_600 * ah / flow(z)]

    def crossing(wanted: Callable[[float], bool]) -> float:
        low, high = start, target
        if not wanted(high):
            return high
        for _ in range(200):
            middle = (low + high) / 2
            low, high = (low, middle) if wanted(middle) else (middle, high)
        return high

    turn = crossing(lambda z: (end_v - cells * float(np.interp(z, fractions, volts))) / ohm < amps)
    stop = crossing(lambda z: flow(z) < taper_a)
    times = []
    for begin, end in ((start, turn), (turn, stop)):
        time = 0.0
        for low, high in pairwise([begin, *[z for z in fractions if begin < z < end], end]):
            time = float(solve_ivp(slower, (low, high), [time], **TIGHT).y[0][-1])
        times.append(time)
    return times[0], times[1]


def warmed(heat: float, air: float, start: float, room: float, *steps: float) -> float:
    """Degrees at the end."""
    temp = start
    for time, watts in zip(steps[::2], steps[1::2], strict=True):
        run = solve_ivp(
            lambda _t, y, w=watts: [(w - air * (y[0] - room)) / heat], (0, time), [temp], **TIGHT
        )
        temp = float(run.y[0][-1])
    return temp


def rows() -> Iterator[Sequence[object]]:
    """Every case: what it is, its numbers, and the answers."""
    for case in DRAINS:
        yield "drain", *case, "", f"{by_scipy(*case):.10g}", f"{by_pybamm(*case):.10g}"
    for case in CHARGES:
        steady, taper = charged(*case)
        yield "charge", *case, f"{steady:.10g}", f"{taper:.10g}"
    for case in WARMINGS:
        yield "warm", *case, "", f"{warmed(*case):.10g}", ""


def main(folder: Path) -> None:
    """Write the table."""
    with (folder / "drains.csv").open("w", encoding="utf-8", newline="") as file:
        made = f"pybamm {version('pybamm')}, scipy {version('scipy')}, BSD-3-Clause"
        file.write(f"# {made}; made by drain_table.py\n")
        csv.writer(file, lineterminator="\n").writerows(rows())


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)

"""Make the ageing cells of `carerules/battery/chemistries/life` anew from published parameters.

    python life_cells.py FOLDER

Each published fit is a function of charge, temperature, time and use. A file keeps what it says at
a few charges and depths, so that a person can read it and a measured cell can be written the same
way. Parameters are from the papers named; those fitted by others to a paper's data say so.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import exp, log, tanh
from pathlib import Path

GAS = 8.314462618  # J/mol/K
WARM_K = 298.15
CHARGES = (*range(0, 100, 5), 98, 100)
DEPTHS = (5, 10, 20, 30, 40, 50, 60, 70, 80, 90, 100)


@dataclass(frozen=True)
class Fit:
    """One published fit: calendar loss `k(charge, kelvin) * days ** power`, cycle loss
    `c(depth, rate, kelvin) * full cycles ** power`, both as fractions of the capacity."""

    name: str
    says: str
    source: str
    calendar: Callable[[float, float], float] | None
    power: float
    cycle: Callable[[float, float, float], float] | None
    cycle_power: float
    cycle_source: str = ""


def anode_v(charge: float) -> float:
    """Graphite against lithium (V): Safari & Delacourt 2011, doi 10.1149/1.3567007, with the
    lithiation of Schimpe et al. 2018, doi 10.1149/2.1181714jes."""
    x = 8.5e-3 + charge * (0.78 - 8.5e-3)
    return (
        0.6379 + 0.5416 * exp(-305.5309 * x) + 0.044 * tanh(-(x - 0.1958) / 0.1088)
        - 0.1978 * tanh((x - 1.0571) / 0.0854) - 0.6875 * tanh((x + 0.0117) / 0.0529)
        - 0.0175 * tanh((x - 0.5692) / 0.0875)
    )  # fmt: skip


# Rest voltage of the cell of Ecker et al. 2014 (doi 10.1016/j.jpowsour.2013.09.143), each 5 %.
ECKER = (
    3.331, 3.41972, 3.49102, 3.54361, 3.58121, 3.60792, 3.62672, 3.64113, 3.65524, 3.67257,
    3.69742, 3.73216, 3.77471, 3.8209, 3.86876, 3.91545, 3.9649, 4.01935, 4.07302, 4.11832, 4.162,
)  # fmt: skip


def ecker_v(charge: float) -> float:
    """Straight lines through the table above."""
    low = min(19, int(charge * 20))
    return ECKER[low] + (ECKER[low + 1] - ECKER[low]) * (charge * 20 - low)


def by_charge(a: float, b: float, c: float) -> Callable[[float, float], float]:
    """The common form a exp(b/T) exp(c charge/T)."""
    return lambda charge, kelvin: a * exp(b / kelvin) * exp(c * charge / kelvin)


FITS: Sequence[Fit] = (
    Fit(
        "nmc-schmalstieg-2014",
        "2.15 Ah round cell, NMC111 against graphite",
        "Schmalstieg et al. 2014, doi 10.1016/j.jpowsour.2014.02.012, with the rest voltage of"
        " Ecker et al. 2014, doi 10.1016/j.jpowsour.2013.09.143; cycled at 35 °C and 1C only",
        lambda charge, kelvin: (7.543 * ecker_v(charge) - 23.75) * 1e6 * exp(-6976 / kelvin),
        0.75,
        # per root of the ampere-hours moved both ways, at a mean voltage of 3.667 V
        lambda depth, _rate, _kelvin: (7.6e-4 + 4.081e-3 * depth) * (2 * 2.15) ** 0.5,
        0.5,
    ),
    Fit(
        "nca-keil-2016",
        "3.2 Ah round cell, NCA against graphite",
        "stored: data of Keil et al. 2016, doi 10.1149/2.0411609jes; cycled: data of Preger et al."
        " 2020, doi 10.1149/1945-7111/abae37; both as fitted in blast-lite 1.1.1 (BSD-3)",
        by_charge(75.4, -3.34e3, 353),
        0.512,
        lambda depth, _rate, _kelvin: 2 * (1.86e-6 + 1.77e-4 * depth),
        0.699,
    ),
    Fit(
        "nmc811-everlasting-2020",
        "3.5 Ah round cell, NMC811 against graphite with silicon",
        "data of the EVERLASTING project, report D2.3 (2020), as fitted in blast-lite 1.1.1"
        " (BSD-3); cycled at a depth of 80 % only",
        by_charge(0.0353, -1.03e3, 57.7),
        0.743,
        lambda depth, _rate, kelvin: (1.77e-7 + 2.21e-7 * depth) * exp(2.25e3 / kelvin),
        0.695,
    ),
    Fit(
        "nmc-kokam-2017",
        "75 Ah pouch cell, NMC111 against graphite",
        "Smith et al. 2017, doi 10.23919/ACC.2017.7963578 (from memory), as fitted in blast-lite"
        " 1.1.1 (BSD-3); its cycle loss has a form of its own and is left out",
        lambda charge, kelvin: (
            2.66e7 * exp(-17.8 * 308.15 / kelvin)
            * exp(-5.21 * anode_v(charge) / 0.123 * 308.15 / kelvin)
        ),
        0.357,
        None,
        1.0,
    ),
    Fit(
        "lfp-naumann-2018",
        "3 Ah round cell, iron phosphate against graphite",
        "Naumann et al. 2018 and 2020, doi 10.1016/j.est.2018.01.019 and"
        " 10.1016/j.jpowsour.2019.227666, parameters as in simses 1.3.12 (BSD-3)",
        lambda charge, kelvin: (
            1.2571e-5 * 86_400**0.5 * exp(-17_126 / GAS * (1 / kelvin - 1 / WARM_K))
            * (2.8575 * (charge - 0.5) ** 3 + 0.60225)
        ),
        0.5,
        lambda depth, rate, _kelvin: (
            (0.0630 * rate + 0.0971) * (4.0253 * (depth - 0.6) ** 3 + 1.0923) / 100
        ),
        0.5,
    ),
    Fit(
        "lfp-prismatic-2023",
        "250 Ah prismatic cell, iron phosphate against graphite",
        "data of doi 10.1016/j.est.2023.109042, as fitted in blast-lite 1.1.1 (BSD-3)",
        lambda charge, kelvin: (
            8.37e4 * exp(-5.21e3 / kelvin) * exp(-3.56e3 * anode_v(charge) / kelvin)
        ),
        0.526,
        lambda depth, rate, kelvin: (
            (4.38e-8 + 1.55e-8 * depth + 1.68e-7 * rate) * exp(2.19e3 / kelvin)
        ),
        0.828,
    ),
    Fit(
        "lto-2020",
        "10 Ah cell, NMC against titanate",
        "data of doi 10.1016/j.jpowsour.2020.228566 as fitted in blast-lite 1.1.1 (BSD-3); stored,"
        " this cell gained capacity at first, and no calendar loss is given",
        None,
        0.5,
        lambda depth, rate, kelvin: (
            (1.29 + 7.83e-5 * rate + 4.02 * depth**3) * exp(-8.33 * 318.15 / kelvin)
        ),
        0.526,
    ),
)  # fmt: skip


def text_of(fit: Fit) -> str:
    """The file of a fit."""
    lines = [
        "# Made by docs/oracles/life_cells.py from the source's parameters; a change here is lost.",
        f'name = "{fit.name}"',
        f'says = "{fit.says}"',
        f'source = "{fit.source}"',
    ]
    if fit.calendar is not None:
        lines += [
            "",
            "# Charge (%), loss in the first year at 25 °C (%), activation energy (kJ/mol):",
            "# the loss grows with time to the power.",
            "[stored]",
            f"power = {fit.power:g}",
            "points = [",
        ]
        for percent in CHARGES:
            here, warm = (fit.calendar(percent / 100, kelvin) for kelvin in (WARM_K, 313.15))
            energy = GAS * log(warm / here) / (1 / WARM_K - 1 / 313.15) / 1_000
            loss = 100 * here * 365**fit.power
            lines.append(f"  [{percent}, {loss:.4g}, {energy:.4g}],")
        lines.append("]")
    if fit.cycle is not None:
        one = fit.cycle(1.0, 1.0, WARM_K)
        rate = fit.cycle(1.0, 2.0, WARM_K) / one - 1
        energy = GAS * log(fit.cycle(1.0, 1.0, 313.15) / one) / (1 / WARM_K - 1 / 313.15) / 1_000
        lines += [
            "",
            "# Depth (%), loss after 100 full cycles' worth at 1C and 25 °C (%): it grows with",
            "# their number to the power; `rate_share` is what each further C adds, of itself.",
            "[cycled]",
            f"power = {fit.cycle_power:g}",
            f"rate_share = {rate:.4f}",
            f"activation_kj_mol = {energy:.4g}",
            "points = [",
        ]
        for depth in DEPTHS:
            loss = 100 * fit.cycle(depth / 100, 1.0, WARM_K) * 100**fit.cycle_power
            lines.append(f"  [{depth}, {loss:.4g}],")
        lines.append("]")
    return "\n".join(lines) + "\n"


def main(folder: Path) -> None:
    """Write every cell."""
    for fit in FITS:
        (folder / f"{fit.name}.toml").write_text(text_of(fit), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))

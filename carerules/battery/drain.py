"""How long a drain takes, what the load gets and what the pack itself warms by: exact, no steps.

Knows a rest curve, a resistance and a load. Does not know an estimate or its doubt.

The rest voltage is a straight line in each stretch between two points of the curve, so each stretch
has a closed form. With U the pack's rest voltage, S = dU/dz its steepness over the charge fraction
z, Q the capacity in coulombs and R the inner resistance with its leads, dt = -Q dz / I(U):

- constant current: t = Q Δz / I
- resistor r: I = U / (R + r), so t = Q (R + r) / S · ln(Ua / Ub)
- constant power P: I = 2P / (U + w) with w = √(U² - 4RP). With U = a cosh θ and a² = 4RP the heat
  ∫ I² R dt = Q / 2S ∫ (U - w) dU is elementary, and the time follows from the energy: every joule
  out of the cells, Q ∫ U dz, is either heat or the load's.

What is left out: the pack's slow polarisation (a loaded voltage lies lower than R says, the more
the harder the drain), temperature and the resistance's own change. See `docs/battery.md`.
"""

from __future__ import annotations

from bisect import bisect_right
from itertools import pairwise
from math import isfinite, log1p, sqrt
from typing import TypeAlias, assert_never

from carerules.domain.frozen import guarded

Curve: TypeAlias = tuple[tuple[float, ...], tuple[float, ...]]
"""Charge fractions (0..1) and rest volts a cell, both strictly increasing."""


@guarded
class ConstantCurrent:
    """A load that draws `a` amperes."""

    a: float


@guarded
class ConstantPower:
    """A load that takes `w` watts at its terminals."""

    w: float


@guarded
class Resistor:
    """A load of `ohm` ohms."""

    ohm: float


Load: TypeAlias = ConstantCurrent | ConstantPower | Resistor


@guarded
class DrainForecast:
    """What a drain comes to: `heat_wh` stays in the pack; the voltages are the loaded pack's."""

    time_s: float
    load_energy_wh: float
    heat_wh: float
    charge_ah: float
    start_v: float
    end_v: float


class CannotCarry(ValueError):  # noqa: N818 - says what is wrong, as a person would
    """The pack cannot carry this load to this target, or what was asked makes no sense."""

    def __init__(self, what: str, found: str, wanted: str) -> None:
        super().__init__(f"{what}: found {found}, wanted {wanted}")
        self.what, self.found, self.wanted = what, found, wanted


def forecast(
    curve: Curve,
    cells: int,
    capacity_ah: float,
    resistance_ohm: float,
    load: Load,
    start: float,
    target: float,
) -> DrainForecast:
    """The drain of a whole pack from the fraction `start` down to `target`.

    `resistance_ohm` is the pack's with its leads. Raises CannotCarry.
    """
    _ask_sense(curve, cells, capacity_ah, resistance_ohm, load, start, target)
    charge_c = 3_600 * capacity_ah
    stretches = list(_stretches(curve, cells, start, target))
    high_v, low_v = stretches[0][1], stretches[-1][2]
    start_v, end_v = (_loaded_v(volts, resistance_ohm, load) for volts in (high_v, low_v))
    time_s = load_j = heat_j = 0.0
    for share, above_v, below_v in stretches:
        if share == 0:
            continue
        moved_c = charge_c * share
        step = _stretch(load, moved_c, above_v, below_v, resistance_ohm)
        time_s, load_j, heat_j = time_s + step[0], load_j + step[1], heat_j + step[2]
    return DrainForecast(
        time_s, load_j / 3_600, heat_j / 3_600, capacity_ah * (start - target), start_v, end_v
    )


def _stretch(
    load: Load, moved_c: float, above_v: float, below_v: float, ohm: float
) -> tuple[float, float, float]:
    """Seconds, joules in the load, joules of heat, over one straight stretch of the curve."""
    mean_v = (above_v + below_v) / 2
    match load:
        case ConstantCurrent(amps):
            return moved_c / amps, moved_c * (mean_v - amps * ohm), moved_c * amps * ohm
        case Resistor(outer):
            total = ohm + outer
            # ln(Ua/Ub)/(Ua-Ub), written so that a flat stretch loses no digits
            rise = (above_v - below_v) / below_v
            over = log1p(rise) / rise / below_v if rise else 1 / below_v
            drawn_j = moved_c * mean_v
            return moved_c * total * over, drawn_j * outer / total, drawn_j * ohm / total
        case ConstantPower(watts):
            heat_j = _power_heat_j(watts, moved_c, above_v, below_v, ohm)
            load_j = moved_c * mean_v - heat_j
            return load_j / watts, load_j, heat_j
        case _:
            assert_never(load)


def _power_heat_j(
    watts: float, moved_c: float, above_v: float, below_v: float, ohm: float
) -> float:
    square = 4 * ohm * watts
    above_w, below_w = (sqrt(volts * volts - square) for volts in (above_v, below_v))
    above, below = above_v + above_w, below_v + below_w
    if above_w + below_w == 0:
        return moved_c * above_v / 2  # flat, and at the most the pack can carry
    # Each difference is written as a multiple of Ua - Ub, which then divides out: a flat stretch
    # loses no digits.
    steep = 1 + (above_v + below_v) / (above_w + below_w)
    rise = (above_v - below_v) * steep / below
    over = log1p(rise) / rise if rise else 1.0
    square /= 2
    mean = square * steep * (over / below - square * (above + below) / (above * below) ** 2)
    return moved_c / 2 * mean


def _loaded_v(rest_v: float, ohm: float, load: Load) -> float:
    match load:
        case ConstantCurrent(amps):
            loaded = rest_v - amps * ohm
            if loaded <= 0:
                raise CannotCarry(
                    "current", f"`{amps:g}` A", f"less than {rest_v / ohm:.4g} A at {rest_v:.4g} V"
                )
            return loaded
        case Resistor(outer):
            return rest_v * outer / (ohm + outer)
        case ConstantPower(watts):
            left = rest_v * rest_v - 4 * ohm * watts
            if left < 0:
                most = rest_v * rest_v / (4 * ohm)
                raise CannotCarry(
                    "power", f"`{watts:g}` W", f"at most {most:.4g} W at {rest_v:.4g} V"
                )
            return (rest_v + sqrt(left)) / 2
        case _:
            assert_never(load)


def _stretches(
    curve: Curve, cells: int, start: float, target: float
) -> list[tuple[float, float, float]]:
    """From the top down: charge fraction moved, rest volts of the pack above and below."""
    inside = [fraction for fraction in curve[0] if target < fraction < start]
    cuts = [start, *reversed(inside), target]
    return [
        (high - low, cells * curve_v(curve, high), cells * curve_v(curve, low))
        for high, low in pairwise(cuts)
    ]


def curve_v(curve: Curve, fraction: float) -> float:
    """Rest volts of a cell at a charge fraction, along the straight lines of the curve."""
    fractions, volts = curve
    index = min(max(1, bisect_right(fractions, fraction)), len(fractions) - 1)
    low, high = fractions[index - 1], fractions[index]
    share = (fraction - low) / (high - low)
    return volts[index - 1] + share * (volts[index] - volts[index - 1])


def _ask_sense(
    curve: Curve,
    cells: int,
    capacity_ah: float,
    resistance_ohm: float,
    load: Load,
    start: float,
    target: float,
) -> None:
    fractions, volts = curve
    if len(fractions) != len(volts) or len(fractions) < 2:
        raise CannotCarry(
            "curve", f"{len(fractions)} fractions and {len(volts)} voltages", "as many, at least 2"
        )
    if not all(
        low < high for column in (fractions, volts) for low, high in pairwise(column)
    ) or not all(isfinite(number) and number >= 0 for number in (*fractions, *volts)):
        raise CannotCarry("curve", "points out of order", "both columns rising from empty to full")
    if cells < 1:
        raise CannotCarry("cells", f"`{cells}`", "at least 1")
    if not (isfinite(capacity_ah) and capacity_ah > 0):
        raise CannotCarry("capacity", f"`{capacity_ah:g}` Ah", "more than 0 Ah")
    if not (isfinite(resistance_ohm) and resistance_ohm >= 0):
        raise CannotCarry("resistance", f"`{resistance_ohm:g}` Ω", "0 Ω or more")
    if not fractions[0] <= target <= start <= fractions[-1]:
        raise CannotCarry(
            "charge",
            f"from `{start:g}` to `{target:g}`",
            f"downwards, between {fractions[0]:g} and {fractions[-1]:g}",
        )
    match load:
        case ConstantCurrent(size) | ConstantPower(size) | Resistor(size):
            if not (isfinite(size) and size > 0):
                raise CannotCarry("load", f"`{size:g}`", "more than 0")
        case _:
            assert_never(load)

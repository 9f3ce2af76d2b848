"""What a drain or a charge will come to, with a band: the forecast, and the doubt of what goes in.

Knows a pack's figures and their doubts. Does not know where they come from. The formulas are exact,
the inputs are not: each is moved by two of its spreads by itself, and what that does to the answer
is added as errors that have nothing to do with each other are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from math import sqrt
from typing import TypeVar

from carerules.battery.drain import (
    CannotCarry,
    ConstantCurrent,
    ConstantPower,
    Curve,
    DrainForecast,
    Load,
    Resistor,
    forecast,
)
from carerules.battery.recharge import ChargeForecast, Charger, recharge
from carerules.battery.session import EFFICIENCY
from carerules.domain.frozen import guarded

SIGMAS = 2.0
LOAD_SHARE = 0.05
"""Doubt of a load or charger of which only the usual power is known, of itself (no source)."""

TAPER_SHARE = 0.05
"""Where a charger ends, of its capacity in an hour: 0.1 to 0.03 are usual (from memory)."""

Answer = TypeVar("Answer", DrainForecast, ChargeForecast)


@guarded
class Figures:
    """What a forecast needs of a pack: each with its spread (1 sigma).

    `ohm` is the whole pack's with its leads, `start` a fraction (0..1).
    """

    curve: Curve
    cells: int
    capacity_ah: float
    capacity_spread: float
    ohm: float
    ohm_spread: float
    start: float
    start_spread: float


@guarded
class Ahead:
    """A time (s) and an energy (Wh) with the edges of their bands, two sigma either way."""

    time_s: float
    time_low_s: float
    time_high_s: float
    energy_wh: float
    energy_low_wh: float
    energy_high_wh: float


def drain_ahead(figures: Figures, load: Load, target: float) -> tuple[DrainForecast, Ahead]:
    """The drain down to the fraction `target`, and how far off it may be. Raises CannotCarry."""

    def run(these: Figures, share: float) -> DrainForecast:
        return forecast(
            these.curve, these.cells, these.capacity_ah, these.ohm, _scaled(load, share),
            max(target, these.start), target,
        )  # fmt: skip

    middle = run(figures, 1.0)
    return middle, _banded(figures, run, middle, lambda one: (one.time_s, one.load_energy_wh))


def charge_ahead(figures: Figures, charger: Charger, target: float) -> tuple[ChargeForecast, Ahead]:
    """The charge up to the fraction `target`, or as far as the charger goes. Raises CannotCarry."""

    def run(these: Figures, share: float) -> ChargeForecast:
        amps = charger.a * share
        scaled = Charger(amps, charger.end_v, min(amps, charger.taper_a))
        return recharge(
            these.curve, these.cells, these.capacity_ah, these.ohm, scaled,
            min(target, these.start), target,
        )  # fmt: skip

    middle = run(figures, 1.0)
    return middle, _banded(figures, run, middle, lambda one: (one.time_s, one.energy_wh))


def charger_of(
    figures: Figures, wall_w: float, end_v: float, efficiency: float = EFFICIENCY
) -> Charger:
    """What a charger that draws so many watts at the wall does to the pack, up to `end_v`.

    Its current is taken from its power at half charge; it ends at a twentieth of the capacity.
    """
    fractions, volts = figures.curve
    middle = figures.cells * volts[len(fractions) // 2]
    amps = wall_w * efficiency / middle
    return Charger(amps, end_v, min(amps, TAPER_SHARE * figures.capacity_ah))


def _scaled(load: Load, share: float) -> Load:
    match load:
        case ConstantCurrent(amps):
            return ConstantCurrent(amps * share)
        case ConstantPower(watts):
            return ConstantPower(watts * share)
        case Resistor(ohm):
            return Resistor(ohm / share)


def _banded(
    figures: Figures,
    run: Callable[[Figures, float], Answer],
    middle: Answer,
    read: Callable[[Answer], tuple[float, float]],
) -> Ahead:
    time_s, energy_wh = read(middle)
    down, up = [0.0, 0.0], [0.0, 0.0]
    for pair in _moved(figures):
        for these, share in pair:
            try:
                seen = read(run(these, share))
            except CannotCarry:
                continue  # at this edge the load could not be carried at all
            for column, (now, then) in enumerate(zip((time_s, energy_wh), seen, strict=True)):
                side = up if then > now else down
                side[column] += (then - now) ** 2
    low, high = [sqrt(one) for one in down], [sqrt(one) for one in up]
    return Ahead(
        time_s, max(0.0, time_s - low[0]), time_s + high[0],
        energy_wh, max(0.0, energy_wh - low[1]), energy_wh + high[1],
    )  # fmt: skip


def _moved(figures: Figures) -> Iterator[tuple[tuple[Figures, float], ...]]:
    """Each input moved up and down by two spreads, the others as they are; of the capacity a
    twentieth stays at least (our choice)."""
    for sign in (1.0, -1.0):
        step = SIGMAS * sign
        yield (
            (replace(figures, capacity_ah=max(
                0.05 * figures.capacity_ah, figures.capacity_ah + step * figures.capacity_spread,
            )), 1.0),
            (replace(figures, ohm=max(0.0, figures.ohm + step * figures.ohm_spread)), 1.0),
            (replace(figures, start=min(
                1.0, max(0.0, figures.start + step * figures.start_spread)
            )), 1.0),
            (figures, 1 + step * LOAD_SHARE),
        )  # fmt: skip

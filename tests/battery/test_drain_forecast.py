"""Drain time, energy and heat: against textbook cases, quadrature, and a walk in time."""

import math
from collections.abc import Callable
from itertools import pairwise

import pytest
from benchpack import CHEMISTRIES, LFP, LIPO
from hypothesis import given, settings
from hypothesis import strategies as st

from carerules.battery import (
    CannotCarry,
    ConstantCurrent,
    ConstantPower,
    Load,
    Resistor,
    forecast,
)

# Nodes and weights of the five-point Gauss-Legendre rule, Abramowitz & Stegun, table 25.4
_GAUSS = (
    (0.0, 0.568888888888889),
    (0.538469310105683, 0.478628670499366),
    (-0.538469310105683, 0.478628670499366),
    (0.906179845938664, 0.236926885056189),
    (-0.906179845938664, 0.236926885056189),
)

# The loads below are of a size for four lithium cells; four others could not carry them.
CURVES = {name: (one.fractions, one.volts) for name, one in CHEMISTRIES.items() if one.shows_charge}


def _line(curve: tuple[tuple[float, ...], tuple[float, ...]], fraction: float) -> float:
    points = list(zip(*curve, strict=True))
    for (low, low_v), (high, high_v) in pairwise(points):
        if fraction <= high:
            return low_v + (high_v - low_v) * (fraction - low) / (high - low)
    raise AssertionError(fraction)


def _current(load: Load, rest_v: float, ohm: float) -> float:
    """The current by bisection of Kirchhoff's law, without the formula under test."""
    match load:
        case ConstantCurrent(amps):
            return amps
        case Resistor(outer):

            def excess(amps: float) -> float:
                return amps * outer - (rest_v - amps * ohm)

            top = rest_v / (ohm + outer) * 2
        case ConstantPower(watts):

            def excess(amps: float) -> float:
                return amps * (rest_v - amps * ohm) - watts

            top = rest_v / (2 * ohm) if ohm else 2 * watts / rest_v
    low, high = 0.0, top
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (middle, high) if excess(middle) < 0 else (low, middle)
    return (low + high) / 2


def _quadrature(
    curve: tuple[tuple[float, ...], tuple[float, ...]],
    cells: int,
    ah: float,
    ohm: float,
    load: Load,
    start: float,
    target: float,
) -> tuple[float, float, float]:
    """Seconds, Wh in the load and Wh of heat by numerical integration over the charge."""
    cuts = sorted({target, start, *(f for f in curve[0] if target < f < start)})
    parts = 8
    time_s = load_wh = heat_wh = 0.0
    for low, high in pairwise(cuts):
        for part in range(parts):
            middle = low + (high - low) * (part + 0.5) / parts
            half = (high - low) / parts / 2
            for node, weight in _GAUSS:
                rest_v = cells * _line(curve, middle + half * node)
                amps = _current(load, rest_v, ohm)
                seconds = 3_600 * ah * weight * half / amps
                time_s += seconds
                load_wh += seconds * amps * (rest_v - amps * ohm) / 3_600
                heat_wh += seconds * amps * amps * ohm / 3_600
    return time_s, load_wh, heat_wh


LOADS: dict[str, Callable[[float], Load]] = {
    "current": lambda size: ConstantCurrent(16 * size),
    "power": lambda size: ConstantPower(200 * size),
    "resistor": lambda size: Resistor(1 / size),
}


@settings(max_examples=40, deadline=None)
@given(
    name=st.sampled_from(sorted(CURVES)),
    kind=st.sampled_from(sorted(LOADS)),
    size=st.floats(0.02, 1.5),
    ohm=st.floats(0.001, 0.05),
    ends=st.tuples(st.floats(0.05, 1), st.floats(0.05, 1)),
)
def test_the_closed_form_is_the_integral(
    name: str, kind: str, size: float, ohm: float, ends: tuple[float, float]
) -> None:
    start, target = max(ends), min(ends)
    if start - target < 1e-3:
        target = start - 0.01
    load = LOADS[kind](size)
    found = forecast(CURVES[name], 4, 16.0, ohm, load, start, target)
    time_s, load_wh, heat_wh = _quadrature(CURVES[name], 4, 16.0, ohm, load, start, target)
    assert found.time_s == pytest.approx(time_s, rel=1e-6)
    assert found.load_energy_wh == pytest.approx(load_wh, rel=1e-6)
    assert found.heat_wh == pytest.approx(heat_wh, rel=1e-6)


@pytest.mark.parametrize("kind", sorted(LOADS))
def test_a_walk_in_time_ends_where_the_forecast_says(kind: str) -> None:
    # Heun's method in steps of one second: nothing shared with the forecast but the physics
    load, ohm, ah = LOADS[kind](0.5), 0.02, 16.0
    found = forecast(CURVES["lipo"], 4, ah, ohm, load, 0.95, 0.30)
    fraction, seconds, warmth = 0.95, 0, 0.0
    while fraction > 0.30:
        first = _current(load, 4 * _line(CURVES["lipo"], fraction), ohm)
        guess = fraction - first / (3_600 * ah)
        second = _current(load, 4 * _line(CURVES["lipo"], guess), ohm)
        amps = (first + second) / 2
        fraction, seconds = fraction - amps / (3_600 * ah), seconds + 1
        warmth += amps * amps * ohm / 3_600
    assert found.time_s == pytest.approx(seconds, abs=1.5)
    assert found.heat_wh == pytest.approx(warmth, rel=1e-3)


STRAIGHT = ((0.0, 1.0), (1e-9, 10.0))
FARAD = 3_600 * 2.0 / 10.0  # 2 Ah over 10 V, as a capacitor


def test_a_straight_curve_through_a_resistor_is_a_capacitor() -> None:
    # Textbook: a capacitor through a resistor falls to 1/e in one time constant
    found = forecast(STRAIGHT, 1, 2.0, 1.0, Resistor(4.0), 1.0, 1 / math.e)
    assert found.time_s == pytest.approx(5.0 * FARAD, rel=1e-7)
    assert found.heat_wh == pytest.approx((found.load_energy_wh + found.heat_wh) / 5, rel=1e-9)


def test_a_straight_curve_at_constant_power_is_a_capacitor() -> None:
    # Textbook: ½ C (U1² - U2²) = P t, when nothing is lost inside
    found = forecast(STRAIGHT, 1, 2.0, 0.0, ConstantPower(5.0), 1.0, 0.5)
    assert found.time_s == pytest.approx(0.5 * FARAD * (100 - 25) / 5.0, rel=1e-7)
    assert found.heat_wh == 0


def test_one_c_takes_an_hour() -> None:
    # By the definition of the C rate: capacity over one hour
    found = forecast(CURVES["lipo"], 4, 16.0, 0.0, ConstantCurrent(16.0), 1.0, 0.0)
    assert found.time_s == pytest.approx(3_600)
    assert found.charge_ah == pytest.approx(16.0)


@given(
    kind=st.sampled_from(sorted(LOADS)),
    size=st.floats(0.02, 1.0),
    split=st.floats(0.35, 0.85),
)
def test_two_drains_in_a_row_are_one(kind: str, size: float, split: float) -> None:
    load = LOADS[kind](size)
    whole = forecast(CURVES["lipo"], 4, 16.0, 0.02, load, 0.9, 0.3)
    first = forecast(CURVES["lipo"], 4, 16.0, 0.02, load, 0.9, split)
    then = forecast(CURVES["lipo"], 4, 16.0, 0.02, load, split, 0.3)
    assert first.time_s + then.time_s == pytest.approx(whole.time_s, rel=1e-9)
    assert first.heat_wh + then.heat_wh == pytest.approx(whole.heat_wh, rel=1e-9)
    assert first.end_v == pytest.approx(then.start_v)


def test_a_flat_curve_loses_no_digits() -> None:
    flat = ((0.0, 1.0), (3.3, 3.3 + 1e-12))
    for load in (Resistor(1.0), ConstantPower(10.0)):
        found = forecast(flat, 1, 10.0, 0.01, load, 0.9, 0.1)
        amps = _current(load, 3.3, 0.01)
        assert found.time_s == pytest.approx(0.8 * 36_000 / amps, rel=1e-6)


def test_nothing_to_drain_takes_no_time() -> None:
    found = forecast(CURVES["lipo"], 4, 16.0, 0.02, ConstantPower(60.0), 0.5, 0.5)
    assert (found.time_s, found.load_energy_wh, found.heat_wh, found.charge_ah) == (0, 0, 0, 0)
    assert found.start_v == found.end_v


def test_energy_leaves_as_load_or_heat() -> None:
    # Conservation: the area under the published curve, by hand over one stretch of Naumann's table
    found = forecast(CURVES["lifepo4"], 1, 1.0, 0.05, ConstantPower(5.0), 0.80, 0.75)
    low, high = LFP.volts[LFP.fractions.index(0.75)], LFP.volts[LFP.fractions.index(0.80)]
    assert found.load_energy_wh + found.heat_wh == pytest.approx(0.05 * (low + high) / 2, rel=1e-9)


CURVE = CURVES["lipo"]
NAN = math.nan
REFUSED = [
    # 4 cells near empty carry at most U²/4R: (4 · 2.9)² / 0.4 = 336 W
    (CURVE, 4, 16.0, 0.1, ConstantPower(340.0), 1.0, 0.0, "at most 336.4 W at 11.6 V"),
    (CURVE, 4, 16.0, 0.1, ConstantCurrent(120.0), 1.0, 0.0, "less than 116 A at 11.6 V"),
    (CURVE, 4, 16.0, 0.1, ConstantPower(NAN), 1.0, 0.5, "load: found `nan`"),
    (CURVE, 4, 16.0, 0.1, ConstantPower(-60.0), 1.0, 0.5, "wanted more than 0"),
    (CURVE, 4, 16.0, 0.1, Resistor(0.0), 1.0, 0.5, "wanted more than 0"),
    (CURVE, 0, 16.0, 0.1, Resistor(1.0), 1.0, 0.5, "cells: found `0`"),
    (CURVE, 4, 0.0, 0.1, Resistor(1.0), 1.0, 0.5, "capacity: found `0` Ah"),
    (CURVE, 4, 16.0, -0.1, Resistor(1.0), 1.0, 0.5, "resistance: found `-0.1` Ω"),
    (CURVE, 4, 16.0, 0.1, Resistor(1.0), 0.4, 0.5, "from `0.4` to `0.5`"),
    (CURVE, 4, 16.0, 0.1, Resistor(1.0), 80.0, 0.5, "from `80` to `0.5`"),
    (CURVE, 4, 16.0, 0.1, Resistor(1.0), NAN, 0.5, "from `nan`"),
    (((0.0, 1.0), (3.0, 3.0)), 4, 16.0, 0.1, Resistor(1.0), 0.9, 0.5, "curve"),
    (((0.0, 1.0), (3.0,)), 4, 16.0, 0.1, Resistor(1.0), 0.9, 0.5, "curve"),
]


@pytest.mark.parametrize("row", REFUSED, ids=[row[-1] for row in REFUSED])
def test_what_cannot_be_carried_is_refused(row: tuple) -> None:
    *asked, says = row
    with pytest.raises(CannotCarry) as caught:
        forecast(*asked)
    assert says in str(caught.value)
    assert caught.value.found in str(caught.value)
    assert isinstance(caught.value, ValueError)


def test_the_most_a_pack_can_carry_it_carries() -> None:
    most_w = (4 * LIPO.volts[11]) ** 2 / (4 * 0.1)
    found = forecast(CURVE, 4, 16.0, 0.1, ConstantPower(most_w * (1 - 1e-12)), 0.6, 0.5)
    assert found.end_v == pytest.approx(2 * LIPO.volts[11], rel=1e-4)  # half the rest voltage

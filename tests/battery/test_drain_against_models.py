"""Drains, charges and warming against pybamm's Thevenin model and scipy's solve_ivp.

The answers stand in docs/oracles/drains.csv; tests/oracle makes them anew.
"""

import math

import pytest
from benchpack import CHEMISTRIES, LIPO
from hypothesis import example, given
from hypothesis import strategies as st
from oracle_rows import CURVES, drains

from carerules.battery import (
    Body,
    CannotCarry,
    Charger,
    ConstantCurrent,
    ConstantPower,
    Resistor,
    body_of,
    forecast,
    recharge,
    warmed,
)
from carerules.domain.pack import Pack

LOADS = {"current": ConstantCurrent, "power": ConstantPower, "resistor": Resistor}


@pytest.mark.parametrize("row", drains("drain"), ids="-".join)
def test_a_drain_takes_as_long_as_both_say(row: list[str]) -> None:
    name, cells, ah, ohm, load, size, start, target, _, by_scipy, by_pybamm = row
    ahead = forecast(
        CURVES[name], int(cells), float(ah), float(ohm), LOADS[load](float(size)),
        float(start), float(target),
    )  # fmt: skip
    assert ahead.time_s == pytest.approx(float(by_scipy), rel=1e-8)
    assert ahead.time_s == pytest.approx(float(by_pybamm), rel=1e-6)


@pytest.mark.parametrize("row", drains("charge"), ids="-".join)
def test_a_charge_takes_as_long_as_scipy_says(row: list[str]) -> None:
    name, *numbers = row
    cells, ah, ohm, amps, end_v, taper_a, start, target, steady, taper = map(float, numbers)
    charger = Charger(amps, end_v, taper_a)
    ahead = recharge(CURVES[name], int(cells), ah, ohm, charger, start, target)
    assert ahead.steady_s == pytest.approx(steady, rel=1e-6)
    assert ahead.taper_s == pytest.approx(taper, rel=1e-6)


@pytest.mark.parametrize("row", drains("warm"), ids="-".join)
def test_a_lump_warms_as_scipy_says(row: list[str]) -> None:
    heat, air, start, room, *steps = (float(one) for one in row[:8])
    stretches = zip(steps[::2], steps[1::2], strict=True)
    end, highest = warmed(Body(heat, air), start, room, stretches)
    assert end == pytest.approx(float(row[9]), rel=1e-8)
    assert highest >= max(start, end)


@example(start=0.29999999999999993, amps=8.0, ohm=0.25)  # a hair below a point of the curve
@given(st.floats(0.0, 0.98), st.floats(0.2, 20), st.floats(0, 0.3))
def test_a_charge_keeps_its_energy(start: float, amps: float, ohm: float) -> None:
    """What goes in is what the cells hold more, and heat."""
    curve = (LIPO.fractions, LIPO.volts)
    ahead = recharge(curve, 4, 5.0, ohm, Charger(amps, 16.8, amps / 20), start)
    held = math.fsum(
        5.0 * 4 * (b - a) * (LIPO.volts[i] + LIPO.volts[i + 1]) / 2
        for i, (a, b) in enumerate(zip(LIPO.fractions, LIPO.fractions[1:], strict=False))
        if start <= a and b <= ahead.end
    )
    assert ahead.energy_wh - ahead.heat_wh >= held - 1e-9
    assert ahead.charge_ah == pytest.approx(5.0 * (ahead.end - start))
    assert ahead.time_s == pytest.approx(ahead.steady_s + ahead.taper_s)
    assert ahead.steady_s <= 3_600 * 5.0 / amps * (1 - start) * (1 + 1e-9)


@pytest.mark.parametrize(
    ("charger", "start", "says"),
    [
        (Charger(5, 16.8, 0.2), 1.2, "charge: found from `1.2` to `1`"),
        (Charger(0, 16.8, 0.2), 0.2, "current: found `0` A, wanted more than 0 A"),
        (Charger(5, 16.8, 6), 0.2, "end of the taper: found `6` A"),
        (Charger(5, 4.2, 0.2), 0.2, "charge voltage: found `4.2` V, wanted about 16.8 V"),
    ],
)
def test_a_charge_that_makes_no_sense(charger: Charger, start: float, says: str) -> None:
    with pytest.raises(CannotCarry) as caught:
        recharge((LIPO.fractions, LIPO.volts), 4, 5.0, 0.05, charger, start)
    assert says in str(caught.value)


def test_a_pack_warms_by_about_what_the_trade_finds() -> None:
    """A pack of four cells and 5 Ah flown flat in a quarter of an hour comes down warm, not hot:
    about 15 to 40 K above the air. Common practice, no source."""
    pack = Pack("egret", "lipo", 4, 5.0, LIPO.limits)
    body = body_of(pack, LIPO)
    assert body is not None
    ohm = 4 * LIPO.resistance_mohm_ah / 5.0 / 1_000
    ahead = forecast(
        (LIPO.fractions, LIPO.volts), 4, 5.0, ohm, ConstantCurrent(16.0), 1.0, 0.2
    )  # fmt: skip
    end, _ = warmed(body, 20, 20, [(ahead.time_s, ahead.heat_wh * 3_600 / ahead.time_s)])
    assert 5 < end - 20 < 40


@pytest.mark.parametrize("name", [name for name, one in CHEMISTRIES.items() if one.heat])
def test_heat_alone_is_of_a_cells_kind(name: str) -> None:
    """A cell warms by roughly 1 J a gram and kelvin (0.8 to 1.3 published for lithium cells, from
    memory) and weighs 1.7 to 3 g/ml: 1.4 to 3.9 J/ml/K."""
    heat = CHEMISTRIES[name].heat
    assert heat is not None
    assert 1.4 <= heat.heat_j_ml_k <= 3.9


def test_a_pack_at_its_target_has_nothing_to_charge() -> None:
    """Also where it is full and the charger would begin with its taper."""
    for at in (0.4, 1.0):
        charger = Charger(6.7, 16.8, 0.8)
        ahead = recharge((LIPO.fractions, LIPO.volts), 4, 5.0, 0.05, charger, at, at)
        assert (ahead.time_s, ahead.energy_wh, ahead.end) == (0.0, 0.0, at)

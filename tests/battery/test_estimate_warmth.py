"""What moves a rested voltage beside the charge: warmth, and which way the last current flowed.

And what a current meter shows at nothing. Truths are our own (invented) where no source is named.
"""

from dataclasses import replace

import pytest
from benchpack import EGRET, HERON, HOUR, LFP, LIPO, MINUTE, START, known, say, sharp

from carerules.battery import (
    Chemistry,
    Estimate,
    fresh,
    rest_voltage,
    take_energy,
    take_event,
    take_sample,
)
from carerules.battery.charge import REFERENCE_C, as_on_curve, slowness
from carerules.domain.pack import Pack

SHARP = sharp(LIPO)
ONE_FIGURE = replace(SHARP, warmths_v_k=())


def rested_at(
    charge: float,
    off_v: float,
    *,
    before_a: float = 0.0,
    warm_c: float | None = None,
    chemistry: Chemistry = SHARP,
    pack: Pack = HERON,
) -> Estimate:
    """A pack whose start nobody knows, after three hours of rest with its voltage `off_v` a cell
    above its curve; an hour of `before_a` went before."""
    estimate = fresh(pack)
    warm = {} if warm_c is None else {"temperature": warm_c}
    volts = pack.cells * (rest_voltage(chemistry, charge / 100) + off_v)
    for minute in range(60):
        sample = say(START + minute * MINUTE, pack=pack, current=before_a, **warm)
        estimate = take_sample(estimate, pack, chemistry, sample)
    for minute in range(60, 241):
        sample = say(START + minute * MINUTE, pack=pack, current=0.0, voltage=volts, **warm)
        estimate = take_sample(estimate, pack, chemistry, sample)
    return estimate


# --- warmth --------------------------------------------------------------------------------------


@pytest.mark.parametrize("warm_c", [0.0, 45.0])
def test_the_temperature_coefficient_shifts_the_curve(warm_c: float) -> None:
    # Ai et al. 2020: -0.25 mV/K at half charge; 3.2 mV a point there (tests/battery, rest curves)
    assert LIPO.temperature_v_k == -0.00025
    off_v = LIPO.temperature_v_k * (warm_c - REFERENCE_C)
    told = known(rested_at(40, off_v, warm_c=warm_c, chemistry=ONE_FIGURE))
    assert told.value == pytest.approx(40, abs=0.1)
    untold = known(rested_at(40, off_v, chemistry=ONE_FIGURE))
    assert abs(untold.value - 40) > 1.0
    # how far one coefficient is off over the curve stays in doubt
    at_25 = known(rested_at(40, 0.0, warm_c=25.0, chemistry=ONE_FIGURE))
    assert told.spread > at_25.spread + 0.2


@pytest.mark.parametrize(("charge", "mv_k"), [(10, -0.53), (30, -0.37), (50, -0.25), (80, -0.15)])
def test_the_curve_moves_with_warmth_point_by_point(charge: float, mv_k: float) -> None:
    # entropy of Ai et al. 2020, as computed by pybamm 26.10
    cold = known(rested_at(charge, -25 * mv_k / 1_000, warm_c=0.0))
    assert cold.value == pytest.approx(charge, abs=0.15)
    one = known(rested_at(charge, -25 * mv_k / 1_000, warm_c=0.0, chemistry=ONE_FIGURE))
    # what is known point by point is doubted less
    assert cold.spread < one.spread


def test_a_curve_measured_elsewhere_is_shifted_from_there() -> None:
    warm = replace(ONE_FIGURE, rest_c=40.0)
    assert known(rested_at(40, 0.0, warm_c=40.0, chemistry=warm)).value == pytest.approx(
        40, abs=0.1
    )
    cold_v = warm.temperature_v_k * -30
    cold = known(rested_at(40, cold_v, warm_c=10.0, chemistry=warm))
    assert cold.value == pytest.approx(40, abs=0.1)


def test_an_old_temperature_shifts_nothing() -> None:
    estimate = take_sample(fresh(HERON), HERON, SHARP, say(START, temperature=-10.0))
    volts = 4 * rest_voltage(SHARP, 0.4)
    for minute in range(120, 300):
        sample = say(START + minute * MINUTE, current=0.0, voltage=volts)
        estimate = take_sample(estimate, HERON, SHARP, sample)
    assert known(estimate).value == pytest.approx(40, abs=0.1)


def test_the_cold_creeps_slower() -> None:
    # doi 10.5281/zenodo.2580327: twice as far at 25 °C as at 40, and four times at 10
    assert slowness(None) == slowness(25.0) == 1.0
    assert slowness(40.0) == pytest.approx(0.5)
    assert slowness(10.0) == pytest.approx(2.0)
    assert slowness(-60.0) == 8.0
    early: dict[float, float] = {}
    for warm_c in (25.0, 10.0):
        estimate = fresh(HERON)
        for minute in range(12):
            volts = 4 * rest_voltage(SHARP, 0.4)
            sample = say(START + minute * MINUTE, current=0.0, voltage=volts, temperature=warm_c)
            estimate = take_sample(estimate, HERON, SHARP, sample)
        early[warm_c] = known(estimate).spread
    assert early[10.0] > 1.3 * early[25.0]  # the curve's own doubt joins it


# --- hysteresis ----------------------------------------------------------------------------------


def test_a_voltage_after_a_charge_lies_above_the_curve_and_after_a_drain_below() -> None:
    # lifepo4: 10 mV either way (Dreyer et al. 2010, from memory), 3 to 4 mV a point at 15 %
    up = rested_at(15, 0.010, before_a=4.0, chemistry=LFP, pack=EGRET)
    down = rested_at(15, -0.010, before_a=-4.0, chemistry=LFP, pack=EGRET)
    for estimate in (up, down):
        assert abs(known(estimate).value - 15) < 2.5
    flat = replace(LFP, hysteresis_v=0.0)
    assert known(rested_at(15, 0.010, before_a=4.0, chemistry=flat, pack=EGRET)).value > 17.3
    assert known(rested_at(15, -0.010, before_a=-4.0, chemistry=flat, pack=EGRET)).value < 11.7


def test_where_nobody_knows_what_flowed_last_all_of_it_is_doubt() -> None:
    volts, doubt = as_on_curve(LFP, 3.2, 0.001, None, 0.0)
    assert (volts, doubt) == (3.2, pytest.approx(0.01005, abs=1e-5))
    volts, doubt = as_on_curve(LFP, 3.2, 0.001, None, 1.0)
    assert (volts, doubt) == (pytest.approx(3.195), pytest.approx(0.0051, abs=1e-4))
    volts, _ = as_on_curve(LFP, 3.2, 0.001, None, -1.0)
    assert volts == pytest.approx(3.205)
    untold = rested_at(15, 0.0, chemistry=LFP, pack=EGRET)
    told = rested_at(15, 0.005, before_a=4.0, chemistry=LFP, pack=EGRET)
    assert known(untold).spread > known(told).spread + 0.3


@pytest.mark.parametrize(("power_w", "lean"), [(40.0, 1.0), (-40.0, -1.0)])
def test_a_plug_tells_which_way_the_last_current_flowed(power_w: float, lean: float) -> None:
    estimate = take_energy(fresh(EGRET), EGRET, LFP, START, power_w)
    estimate = take_energy(estimate, EGRET, LFP, START + HOUR, power_w)
    estimate = take_energy(estimate, EGRET, LFP, START + 2 * HOUR, 0.0)
    assert not estimate.rest.flowing
    assert estimate.rest.lean == lean


@pytest.mark.parametrize(("what", "lean"), [("full", 1.0), ("charge", 1.0), ("use", -1.0)])
def test_a_person_tells_which_way_the_last_current_flowed(what: str, lean: float) -> None:
    estimate = take_event(fresh(EGRET), EGRET, LFP, what, START)
    assert estimate.rest.lean == lean


@pytest.mark.parametrize("moved", [5.0, -5.0])
def test_a_gauge_that_moves_tells_it_too(moved: float) -> None:
    estimate = take_sample(fresh(EGRET), EGRET, LFP, say(START, pack=EGRET, soc=50.0))
    later = say(START + 5 * MINUTE, pack=EGRET, soc=50.0 + moved)
    estimate = take_sample(estimate, EGRET, LFP, later)
    assert estimate.rest.lean == (1.0 if moved > 0 else -1.0)


def test_after_a_move_of_which_no_current_was_told_nobody_knows_the_direction() -> None:
    estimate = rested_at(15, 0.0, before_a=4.0, chemistry=LFP, pack=EGRET)
    assert estimate.rest.lean == 1.0
    later = say(START + 9 * HOUR, pack=EGRET, voltage=4 * 3.28)
    estimate = take_sample(estimate, EGRET, LFP, later)
    assert estimate.rest.lean == 0.0


# --- what a meter shows at nothing ---------------------------------------------------------------


def test_an_offset_once_learned_is_taken_off_the_count() -> None:
    """A meter that shows 80 mA at nothing, ten days with rests read, then two without a voltage."""
    off_a, charge, at = 0.08, 85.0, START
    estimate = take_sample(fresh(HERON), HERON, SHARP, say(at, soc=charge, spread=2.0))
    day = [(-4.0, 120), (0.0, 300), (-3.0, 60), (0.0, 600), (5.5, 120), (0.0, 240)]
    errors = []
    for number in range(12):
        for amps, minutes in day:
            for _ in range(minutes // 2):
                charge += 100 * amps * 2 / 60 / HERON.capacity_ah
                at += 2 * MINUTE
                volts = {"voltage": 4 * rest_voltage(SHARP, charge / 100)} if number < 10 else {}
                if amps:
                    volts = {}
                sample = say(at, current=amps + off_a, **volts)
                estimate = take_sample(estimate, HERON, SHARP, sample)
        errors.append(known(estimate).value - charge)
    assert estimate.learned.offset_a == pytest.approx(off_a, abs=0.015)
    # 80 mA in 48 h are 24 points of 16 Ah
    assert abs(errors[-1]) < 5

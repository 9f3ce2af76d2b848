"""The pack's truth against arithmetic by hand, closed forms and published curves."""

from __future__ import annotations

from dataclasses import replace
from math import e, exp, log
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sim_river import Line

from carerules.battery import shipped_chemistries
from carerules.sim import PackTruth, born, plain_nature

# 6 cells of 16 Ah on the straight curve: 18.0 V empty, 25.2 V full, 7.2 V from end to end;
# 45 mΩ·Ah / 16 Ah * 6 = 16.875 mΩ in series, half of it in the pair.
NATURE = plain_nature(Line(), cells=6, capacity_ah=16.0)
OHM, PAIR_OHM = 0.016875, 0.0084375


def pack(soc: float = 100.0, **changes: object) -> PackTruth:
    return PackTruth(replace(NATURE, **changes), soc=soc)


def test_the_numbers_above_are_the_pack_s() -> None:
    assert pytest.approx((OHM, PAIR_OHM)) == (NATURE.ohm, NATURE.pair_ohm)
    assert pack(100).voltage_v == pytest.approx(25.2)
    assert pack(0).voltage_v == pytest.approx(18.0)


# ---- closed forms --------------------------------------------------------------------------------


@pytest.mark.parametrize("step_s", [1, 60, 600])
def test_a_steady_current_empties_it_when_capacity_over_current_says(step_s: int) -> None:
    truth = pack(100)
    for _ in range(4 * 3_600 // step_s):  # 16 Ah / 4 A = 4 h
        truth.advance(step_s, current_a=-4.0)
    assert truth.soc == pytest.approx(0, abs=1e-9)
    assert truth.out_ah == pytest.approx(16)


def test_a_loaded_cut_off_comes_when_the_closed_form_says() -> None:
    # At I the leads show 18 + 7.2 z - I (R + R_pair) once the pair has settled, so 21 V comes at
    # z = (3 + 8 * 0.0253125) / 7.2, that is after (1 - z) * 16 Ah / 8 A.
    z = (3 + 8 * (OHM + PAIR_OHM)) / 7.2
    wanted_s = (1 - z) * 16 / 8 * 3_600
    truth, passed_s = pack(100), 0.0
    while truth.voltage_v > 21.0:
        truth.advance(1, current_a=-8.0)
        passed_s += 1
    assert wanted_s <= passed_s <= wanted_s + 1


def test_a_resistor_drains_it_as_the_logarithm_says() -> None:
    # For a straight stretch of the curve: t = Q R_tot / s * ln(U_a / U_b), s = dU/dz.
    # Source: separation of dz/dt = -U(z) / (R_tot Q); elementary, no source needed.
    truth = pack(100, pair_ohm=1e-12)
    load_ohm = 5.0
    wanted_s = 16 * 3_600 * (load_ohm + OHM) / 7.2 * log(25.2 / (18 + 7.2 * 0.4))
    whole, rest_s = divmod(wanted_s, 60)
    for step_s in [60.0] * int(whole) + [rest_s]:
        truth.advance(step_s, current_a=truth.current_into_ohms(load_ohm, step_s))
    # The step takes the mean over its minute, so what is left is of third order.
    assert truth.soc == pytest.approx(40, abs=1e-4)


def test_charge_times_voltage_is_the_energy() -> None:
    truth, t, tau, i = pack(100), 1_800.0, 40.0, 16.0
    truth.advance(t, current_a=-i)
    ah = 8.0
    rest_v = (25.2 + (18 + 7.2 * 0.5)) / 2
    pair_v = i * PAIR_OHM * (1 - tau / t * (1 - exp(-t / tau)))
    assert truth.out_ah == pytest.approx(ah)
    assert truth.out_wh == pytest.approx(ah * (rest_v - i * OHM - pair_v))


def test_what_the_cells_lose_is_what_comes_out_and_what_warms() -> None:
    truth = pack(100)
    for _ in range(1_800):
        truth.advance(1, current_a=-16.0)
    from_cells_wh = 8.0 * (25.2 + 21.6) / 2
    in_pair_wh = truth.pair_v**2 / PAIR_OHM * 40.0 / 2 / 3_600  # half C V², C = tau / R
    assert truth.out_wh + truth.lost_wh + in_pair_wh == pytest.approx(from_cells_wh, rel=1e-6)


@given(
    cuts=st.lists(st.floats(0.01, 90), min_size=1, max_size=20),
    current_a=st.sampled_from([-20.0, -3.0, 0.0, 5.0]),
    soc=st.floats(45, 70),
)
def test_the_length_of_a_step_changes_nothing(
    cuts: list[float], current_a: float, soc: float
) -> None:
    at_once, in_steps = pack(soc), pack(soc)
    at_once.advance(sum(cuts), current_a=current_a)
    for cut in cuts:
        in_steps.advance(cut, current_a=current_a)
    for name in ("soc", "pair_v", "voltage_v", "out_wh", "in_wh"):
        assert getattr(in_steps, name) == pytest.approx(getattr(at_once, name), abs=1e-7), name


def test_voltage_steps_and_then_relaxes_with_the_pair_s_time() -> None:
    truth = pack(80)
    truth.advance(600, current_a=-10.0)  # 15 time constants: the pair has settled
    rest_v = truth.rest_sum_v
    assert rest_v - truth.voltage_v == pytest.approx(10 * (OHM + PAIR_OHM), rel=1e-5)
    truth.advance(0, current_a=0.0)
    assert rest_v - truth.voltage_v == pytest.approx(10 * PAIR_OHM, rel=1e-5)
    truth.advance(40)
    assert rest_v - truth.voltage_v == pytest.approx(10 * PAIR_OHM / e, rel=1e-5)


def test_heat_comes_and_goes_with_one_time_constant() -> None:
    truth = pack(100, pair_ohm=1e-12, capacities_ah=(1e6,) * 6)  # so large that it stays full
    tau_s = NATURE.heat_j_k * NATURE.heat_k_w
    warmer_k = 400 * OHM * NATURE.heat_k_w  # 20 A
    truth.advance(tau_s, current_a=-20.0, room_c=20.0)
    assert truth.temperature_c == pytest.approx(20 + warmer_k * (1 - 1 / e), rel=1e-6)
    truth.advance(100 * tau_s, current_a=-20.0, room_c=20.0)
    assert truth.temperature_c == pytest.approx(20 + warmer_k, rel=1e-6)
    truth.advance(tau_s, room_c=5.0)
    assert truth.temperature_c == pytest.approx(5 + (15 + warmer_k) / e, rel=1e-6)


@pytest.mark.parametrize("step_s", [1, 10, 60])
def test_a_steady_power_takes_power_times_time(step_s: int) -> None:
    truth = pack(90)
    for _ in range(3_600 // step_s):
        truth.advance(step_s, power_w=-60.0)
    assert truth.out_wh == pytest.approx(60, rel=1e-9)


def test_more_power_than_it_can_give_is_the_most_it_can_give() -> None:
    # U² / 4R at the leads, at half its rest voltage: the maximum power theorem.
    truth = pack(100)
    assert truth.current_at_power(-1e6, 0) == pytest.approx(-25.2 / (2 * OHM))


def test_the_held_voltage_is_reached_at_the_step_s_end() -> None:
    truth = pack(97)
    for _ in range(30):
        truth.advance(10, current_a=truth.current_to_reach(4.2, 10))
        assert max(truth.cell_v) == pytest.approx(4.2, abs=1e-9)


def test_the_leak_is_a_share_of_the_capacity_a_month() -> None:
    truth = pack(60, leaks=(0.02,) * 6)
    truth.advance(15 * 86_400)
    assert truth.soc == pytest.approx(59)


def test_a_small_cell_runs_ahead() -> None:
    truth = pack(100, capacities_ah=(16.0,) * 5 + (8.0,))
    truth.advance(3_600, current_a=-4.0)
    assert truth.charges[0] == pytest.approx(0.75)
    assert truth.charges[5] == pytest.approx(0.5)
    assert min(truth.cell_v) == pytest.approx(3.6 - (4 * (OHM + PAIR_OHM)) / 6, abs=1e-6)


def test_an_abused_pack_goes_on_down_to_nothing() -> None:
    truth = pack(0)
    truth.advance(8 * 3_600, current_a=-16.0)
    assert truth.rest_v == [0.0] * 6


def test_a_snapshot_goes_on_to_the_bit() -> None:
    chance = Random(7)
    nature = born(Line(), cells=6, capacity_ah=16.0, chance=chance)
    one, other = PackTruth(nature, soc=88), PackTruth(nature, soc=3)
    one.advance(1_234.5, power_w=-70.0)
    other.restore(one.snapshot())
    for truth in (one, other):
        truth.advance(77.7, power_w=-70.0)
    assert one.snapshot() == other.snapshot()
    assert one.cell_v == other.cell_v
    with pytest.raises(ValueError, match="found 6 cells in the snapshot, wanted 4"):
        PackTruth(plain_nature(Line(), cells=4, capacity_ah=16), soc=1).restore(one.snapshot())


# ---- born packs ----------------------------------------------------------------------------------


def test_packs_are_born_alike_from_one_seed_and_apart_from_two() -> None:
    kind = shipped_chemistries()["lipo"]
    one, same, other = (
        born(kind, cells=6, capacity_ah=16, chance=Random(seed)) for seed in (1, 1, 2)
    )
    assert one == same
    assert one != other
    assert len(set(one.capacities_ah)) == 6
    assert all(0.97 * 16 <= ah <= 1.03 * 16 for ah in one.capacities_ah)


@pytest.mark.parametrize("off", [-2.0, -0.5, 0.5, 2.0])
@pytest.mark.parametrize("name", sorted(shipped_chemistries()))
def test_a_pack_off_its_curve_still_has_one(name: str, off: float) -> None:
    kind = shipped_chemistries()[name]
    nature = born(kind, cells=2, capacity_ah=5, chance=Random(1), off_curve=off)
    assert list(nature.fractions) == sorted(set(nature.fractions))
    assert (nature.fractions[0], nature.fractions[-1]) == (0.0, 1.0)
    sign = nature.rest_v(0.6) - replace(nature, fractions=kind.fractions).rest_v(0.6)
    assert sign * off > 0


# ---- against something outside -------------------------------------------------------------------

# Rest voltage of lithium cobalt oxide pouches, V a cell at 25 °C, from two published sets:
# Ai 2020, doi 10.1149/2.0122001JES, and Ramadass 2004, doi 10.1149/1.1634273.
PUBLISHED = [(20, 3.695, 3.706), (30, 3.733, 3.752), (50, 3.793, 3.827), (80, 3.995, 3.998),
             (95, 4.131, 4.138), (100, 4.200, 4.200)]  # fmt: skip


@pytest.mark.parametrize(("soc", "low_v", "high_v"), PUBLISHED)
def test_a_rested_lipo_shows_the_published_voltage(soc: float, low_v: float, high_v: float) -> None:
    truth = PackTruth(plain_nature(shipped_chemistries()["lipo"], cells=6, capacity_ah=16), soc=soc)
    assert low_v - 0.01 <= truth.voltage_v / 6 <= high_v + 0.01


def test_a_slow_drain_gives_about_what_the_label_says() -> None:
    # The label counts 3.7 V a cell: 22.2 V * 16 Ah = 355 Wh (common practice, no source). The mean
    # of the published curves lies a little above it.
    truth = PackTruth(plain_nature(shipped_chemistries()["lipo"], cells=6, capacity_ah=16), soc=100)
    while truth.soc > 0:
        truth.advance(60, current_a=-3.2)  # a fifth of the capacity an hour, as in IEC 61960
    assert 355 <= truth.out_wh <= 355 * 1.06

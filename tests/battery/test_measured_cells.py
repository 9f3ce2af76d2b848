"""The estimate against cells that others measured or computed: errors, and the doubt it claims.

Pouch cell: measured, doi 10.5281/zenodo.2580327 (MIT), in celljar 0.2.1. Each run is held out: the
cell is known as its other two runs show it (`pouch_without`). Of the constants in the code, those
of a creeping voltage come from its runs at 40 and 25 °C; nothing comes from the run at 10 °C.
Iron phosphate: pybamm 26.10.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from random import Random
from typing import TypeAlias

import pytest
from benchpack import known
from measured_kit import (
    LFP,
    PHOSPHATE_AH,
    POUCH_AH,
    Minute,
    Seen,
    Wrong,
    after_first_rest,
    from_charge,
    from_rest,
    phosphate,
    phosphate_leaning,
    play,
    pouch,
    pouch_without,
    rmse,
    within_two_sigma,
)

from carerules.battery import Estimate

WRONGS = [(1, 1, 0), (0.95, 1.02, -0.05), (1.05, 0.98, 0.05)]
ALL_WRONG = {"label": 0.95, "gain": 1.02, "offset_a": -0.05}
Begin: TypeAlias = Callable[[Sequence[Minute]], Sequence[Minute]]


def run(minutes: Sequence[Minute], celsius: int, wrong: Wrong) -> tuple[list[Seen], Estimate]:
    return play(minutes, pouch_without(celsius), POUCH_AH, wrong, celsius)


@pytest.mark.parametrize("celsius", [25, 10])
@pytest.mark.parametrize("start", [-10.0, 10.0])
@pytest.mark.parametrize("begin", [from_charge, from_rest])
def test_a_wrong_start_is_gone_after_the_first_rest(
    celsius: int, start: float, begin: Begin
) -> None:
    seen, _ = run(begin(pouch(celsius)), celsius, Wrong(start))
    assert rmse(after_first_rest(seen)) <= 0.6  # measured: 0.28 at 25 °C, 0.46 at 10


@pytest.mark.parametrize("celsius", [25, 10])
@pytest.mark.parametrize("start", [-10.0, 10.0])
@pytest.mark.parametrize("begin", [from_charge, from_rest])
def test_a_wrong_label_and_meter_cost_little_more(celsius: int, start: float, begin: Begin) -> None:
    seen, _ = run(begin(pouch(celsius)), celsius, Wrong(start, **ALL_WRONG))
    late = after_first_rest(seen)
    assert rmse(late) <= 0.7  # measured: 0.34 at 25 °C, 0.54 at 10
    assert within_two_sigma(late) >= 0.9 * len(late)


@pytest.mark.parametrize("celsius", [25, 10])
def test_the_true_capacity_is_learned_as_the_meter_counts_it(celsius: int) -> None:
    # 5 % below on the label, 2 % more on the meter: 7 % apart, of which most must be found
    _, estimate = run(pouch(celsius), celsius, Wrong(10.0, **ALL_WRONG))
    capacity = known(estimate, "pack.capacity")
    assert capacity.source == "learned"
    assert abs(capacity.value - 1.02 * POUCH_AH) <= 2 * capacity.spread
    assert abs(capacity.value - 1.02 * POUCH_AH) <= 0.04 * POUCH_AH
    assert capacity.spread < 0.05 * POUCH_AH  # the label alone: 0.07
    health = known(estimate, "pack.health")
    assert health.value == pytest.approx(100 * capacity.value / (0.95 * POUCH_AH))


@pytest.mark.parametrize("celsius", [25, 10])
def test_the_truth_lies_within_two_sigma_as_often_as_claimed(celsius: int) -> None:
    # Errors drawn as the estimate's own doubts have them: start 10 points, label 7 %, gain 2 %,
    # offset 1/600 of capacity. Two sigma of a bell curve are 95.4 %.
    chance = Random(26)
    minutes = from_charge(pouch(celsius))
    inside = total = 0
    for _ in range(24):
        wrong = Wrong(
            chance.gauss(0, 10), 1 / (1 + chance.gauss(0, 0.07)), 1 + chance.gauss(0, 0.02),
            chance.gauss(0, POUCH_AH / 600),
        )  # fmt: skip
        begin = chance.choice([0, 260, 300, 350, 400, 450, 500, 600, 700])
        seen, _ = run(minutes[begin:], celsius, wrong)
        inside, total = inside + within_two_sigma(seen), total + len(seen)
    assert 0.90 <= inside / total <= 0.99  # measured: 97.6 % at 25 °C, 97.9 % at 10


@pytest.mark.parametrize("celsius", [25, 10])
@pytest.mark.parametrize("wrong", [Wrong(10.0), Wrong(10.0, **ALL_WRONG)])
def test_one_coefficient_for_the_whole_curve_does_less_well(celsius: int, wrong: Wrong) -> None:
    minutes = from_rest(pouch(celsius))
    one = pouch_without(celsius, profile=False)
    seen, _ = play(minutes, one, POUCH_AH, wrong, celsius)
    better, _ = run(minutes, celsius, wrong)
    # measured: 0.40 and 0.48 at 25 °C, 0.82 and 0.85 at 10
    assert rmse(after_first_rest(better)) < rmse(after_first_rest(seen)) <= 0.9


@pytest.mark.parametrize("celsius", [25, 10])
def test_a_pack_whose_temperature_nobody_tells_is_known_a_little_worse(celsius: int) -> None:
    minutes = from_rest(pouch(celsius))
    told, _ = run(minutes, celsius, Wrong(10.0))
    untold, _ = play(minutes, pouch_without(celsius), POUCH_AH, Wrong(10.0))
    assert rmse(after_first_rest(told)) < rmse(after_first_rest(untold)) <= 1.3


@pytest.mark.parametrize("shift_mv", [-8, 8])
@pytest.mark.parametrize("start", [-10.0, 10.0])
@pytest.mark.parametrize(("label", "gain", "offset_a"), WRONGS)
def test_iron_phosphate_is_counted_through_its_flat_part(
    shift_mv: int, start: float, label: float, gain: float, offset_a: float
) -> None:
    wrong = Wrong(start, label, gain, offset_a)
    seen, _ = play(phosphate(shift_mv), LFP, PHOSPHATE_AH, wrong)
    assert rmse(after_first_rest(seen)) <= 5
    assert within_two_sigma(seen) >= 0.9 * len(seen)


@pytest.mark.parametrize("hysteresis_v", [0.0, 0.005, 0.010, 0.015])
@pytest.mark.parametrize("start", [-10.0, 10.0])
@pytest.mark.parametrize(("label", "gain", "offset_a"), WRONGS)
def test_iron_phosphate_with_a_hysteresis_that_goes_over(
    hysteresis_v: float, start: float, label: float, gain: float, offset_a: float
) -> None:
    wrong = Wrong(start, label, gain, offset_a)
    seen, _ = play(phosphate_leaning(hysteresis_v), LFP, PHOSPHATE_AH, wrong)
    assert rmse(after_first_rest(seen)) <= 5  # measured: 1.5 to 4.7
    assert within_two_sigma(seen) >= 0.9 * len(seen)


def test_iron_phosphate_lies_within_two_sigma_as_often_as_claimed() -> None:
    # Drawn as the doubts have them: those above, a curve 12 mV off, a hysteresis of 10 ± 5 mV.
    chance = Random(26)
    inside = total = 0
    for _ in range(40):
        hysteresis_v, off_v = chance.gauss(0.010, 0.005), chance.gauss(0, 0.012)
        minutes = [replace(one, volts=one.volts + off_v) for one in phosphate_leaning(hysteresis_v)]
        begin = chance.choice([0, 90, 240, 480, 660, 990, 1200])
        wrong = Wrong(
            chance.gauss(0, 10), 1 / (1 + chance.gauss(0, 0.07)), 1 + chance.gauss(0, 0.02),
            chance.gauss(0, PHOSPHATE_AH / 600),
        )  # fmt: skip
        seen, _ = play(minutes[begin:], LFP, PHOSPHATE_AH, wrong)
        inside, total = inside + within_two_sigma(seen), total + len(seen)
    # Measured: 98.5 to 99.5 % by the draw; above 20 % the curve's doubt is wide on purpose.
    assert 0.90 <= inside / total <= 0.995


def test_without_its_hysteresis_iron_phosphate_is_known_worse() -> None:
    wrong = Wrong(10.0)
    ours, _ = play(phosphate_leaning(0.010), LFP, PHOSPHATE_AH, wrong)
    flat, _ = play(phosphate_leaning(0.010), replace(LFP, hysteresis_v=0.0), PHOSPHATE_AH, wrong)
    assert rmse(after_first_rest(ours)) < 0.8 * rmse(after_first_rest(flat))

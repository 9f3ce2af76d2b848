"""What rests teach of capacity and of the current meter, on counts whose truth is known.

The numbers are invented; the fit is held against numpy's least squares with the same weights.
"""

from dataclasses import fields
from random import Random

import numpy as np
import pytest
from benchpack import HERON, HOUR, LIPO, MINUTE, START, known, say, sharp

from carerules.battery import Estimate, fresh, take_event, take_sample
from carerules.battery.learned import (
    CAPACITY_BAND,
    FORGET,
    OFFSET_MAX,
    OFFSET_PRIOR,
    Learned,
    Look,
    labelled,
    taught,
)
from carerules.domain.quantity import Known

LABEL = 16.0


def teach(looks: list[Look], holes: list[int] | None = None) -> Learned:
    learned = labelled(LABEL, 0.07)
    for index, look in enumerate(looks):
        learned = taught(learned, look, holes[index] if holes else 0)
    return learned


def looks_of(
    capacity: float, offset_a: float, charges: list[float], hours: float = 6.0, spread: float = 1.0
) -> list[Look]:
    """Rests at these charges, `hours` apart, of a pack and a meter that are exactly so."""
    return [
        Look(index, charge, spread,
             capacity * (charge - charges[0]) / 100 + offset_a * hours * index, hours * index)
        for index, charge in enumerate(charges)
    ]  # fmt: skip


def test_the_fit_is_weighted_least_squares_with_the_label_as_a_witness() -> None:
    chance = Random(3)
    looks = [
        Look(index, charge, 0.5 + index % 3, 14.8 * charge / 100 + 0.02 * 5 * index, 5.0 * index)
        for index, charge in enumerate(chance.uniform(10, 100) for _ in range(9))
    ]
    learned = teach(looks)
    # The rows of the same problem: place, slope, drift; each rest so often faded as others came.
    rows, wanted = [], []
    for index, look in enumerate(looks):
        age = max(0, len(looks) - 2 - index)
        weight = FORGET ** (age / 2) / look.spread
        rows.append([weight, weight * look.counted_ah, weight * look.hours])
        wanted.append(weight * look.charge)
    label = 100 / LABEL
    rows.append([0, 1 / (label * 0.07), 0])
    wanted.append(1 / 0.07)
    rows.append([0, 0, 1 / (100 * OFFSET_PRIOR)])
    wanted.append(0)
    _, slope, drift = np.linalg.lstsq(np.array(rows), np.array(wanted), rcond=None)[0]
    assert learned.capacity_ah == pytest.approx(100 / slope, rel=1e-9)
    assert learned.offset_a == pytest.approx(-drift / slope, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("capacity", [13.0, 15.0, 17.0])
def test_a_capacity_is_found(capacity: float) -> None:
    learned = teach(looks_of(capacity, 0.0, [100, 40, 95, 20, 90, 30], spread=0.5))
    assert learned.taught
    assert learned.capacity_ah == pytest.approx(capacity, rel=0.02)
    assert 0 < learned.doubt < 0.05


def test_an_offset_is_found_where_hours_pass() -> None:
    learned = teach(looks_of(LABEL, -0.05, [60.0] * 8, hours=24, spread=0.5))
    assert learned.offset_a == pytest.approx(-0.05, abs=0.01)
    assert not learned.taught  # nothing was moved: of the capacity it says nothing
    assert (learned.capacity_ah, learned.doubt) == (LABEL, 0.07)


def test_an_offset_is_bounded() -> None:
    learned = teach(looks_of(LABEL, -2.0, [60.0] * 8, hours=24, spread=0.5))
    assert learned.offset_a == pytest.approx(-OFFSET_MAX * LABEL)


@pytest.mark.parametrize("low", [75, 71])
def test_rests_less_than_thirty_points_apart_teach_no_capacity(low: float) -> None:
    assert not teach(looks_of(13.0, 0.0, [100, low, 100, low])).taught


@pytest.mark.parametrize("share", [CAPACITY_BAND[0] * 0.5, CAPACITY_BAND[1] * 1.3])
def test_a_capacity_beyond_belief_is_not_learned(share: float) -> None:
    looks = looks_of(LABEL * share, 0.0, [100, 10, 100, 10, 100, 10], spread=0.5)
    assert not teach(looks).taught


def test_what_was_not_counted_parts_the_lines() -> None:
    # Between the second and the third rest 5 Ah went past the meter
    first = looks_of(14.0, 0.0, [100, 40], spread=0.5)
    second = [
        Look(2, 90, 0.5, first[1].counted_ah + 2.0, 20),
        Look(3, 30, 0.5, first[1].counted_ah + 2.0 - 0.6 * 14, 26),
    ]
    parted = teach([*first, *second], [0, 0, 1, 1])
    assert parted.capacity_ah == pytest.approx(14.0, rel=0.03)
    joined = teach([*first, *second], [0, 0, 0, 0])
    assert abs(joined.capacity_ah - 14.0) > 2 * abs(parted.capacity_ah - 14.0)


def test_a_rest_read_again_does_not_count_twice() -> None:
    looks = looks_of(14.0, 0.0, [100, 30, 90])
    again = [*looks, *[looks[-1]] * 50]
    assert teach(again).doubt == pytest.approx(teach(looks).doubt, rel=1e-12)


def test_doubt_never_falls_below_what_comes_again_in_each_rest() -> None:
    learned = teach(looks_of(15.0, 0.0, [100.0, 40.0] * 200, spread=3.0))
    assert learned.doubt >= 0.5 * 3.0 * 2**0.5 / 60


def test_what_is_kept_stays_the_same_size() -> None:
    few, many = (teach(looks_of(15.0, 0.0, [100.0, 40.0] * count)) for count in (3, 300))
    assert len(str(many)) < 2 * len(str(few))


# ---- through the estimate --------------------------------------------------------------------


def _days(estimate: Estimate, capacity: float, days: int) -> tuple[Estimate, int]:
    """Each day 9 Ah out over 90 minutes, rest, and full again; the curve is the pack's own."""
    at, charge = START, 100.0
    chemistry = sharp(LIPO)
    for _ in range(days):
        for amps, minutes in ((-6.0, 90), (0.0, 120), (4.5, 120), (0.0, 120)):
            for _ in range(minutes):
                charge += 100 * amps / 60 / capacity
                at += MINUTE
                volts = 4 * np.interp(charge / 100, LIPO.fractions, LIPO.volts) + 0.02 * amps
                sample = say(at, current=amps, voltage=float(volts))
                estimate = take_sample(estimate, HERON, chemistry, sample)
    return estimate, at


def test_a_pack_below_its_label_is_found_out_within_days() -> None:
    start = take_event(fresh(HERON), HERON, LIPO, "charge", START)
    estimate, _ = _days(start, 14.0, 3)
    capacity = known(estimate, "pack.capacity")
    assert capacity.source == "learned"
    assert capacity.value == pytest.approx(14.0, abs=0.6)
    assert abs(capacity.value - 14.0) <= 2 * capacity.spread
    assert known(estimate, "pack.health").value == pytest.approx(100 * capacity.value / 16)


def test_a_capacity_that_somebody_measured_is_a_new_label() -> None:
    start = take_event(fresh(HERON), HERON, LIPO, "charge", START)
    estimate, at = _days(start, 14.0, 3)
    estimate = take_sample(
        estimate, HERON, LIPO, say(at + MINUTE, capacity=15.0, source="a person")
    )
    assert known(estimate, "pack.capacity").source == "a person"
    assert (estimate.learned.label_ah, estimate.learned.capacity_ah) == (15.0, 15.0)
    assert estimate.learned.doubt == pytest.approx(0.03)
    assert not estimate.learned.taught


def test_an_uncounted_use_teaches_nothing() -> None:
    estimate = take_event(fresh(HERON), HERON, LIPO, "charge", START)
    estimate = take_event(estimate, HERON, LIPO, "use", START + HOUR)
    low = sharp(LIPO).volts[8]
    for minute in range(90, 200):
        sample = say(START + minute * MINUTE, current=0.0, voltage=4 * low)
        estimate = take_sample(estimate, HERON, sharp(LIPO), sample)
    assert known(estimate).source == "rest voltage"
    assert known(estimate, "pack.capacity").source == "rated"


def test_the_state_is_all_tuples_of_numbers() -> None:
    # so that an image of it is small and a step stays pure
    estimate, _ = _days(fresh(HERON), 14.0, 1)
    assert "learned" in [field.name for field in fields(estimate)]
    assert isinstance(estimate.learned.line, tuple)
    assert all(isinstance(number, float | int) for number in estimate.learned.line)
    assert isinstance(estimate.readings["pack.capacity"], Known)

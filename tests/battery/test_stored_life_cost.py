"""`pack.stored_life_cost` follows charge and warmth, and the rehearsal's ledger adds it up."""

import pytest
from benchpack import HERON, LIPO, START

from carerules.battery import fresh, stored_cost, take_event, take_sample
from carerules.domain.event import Sample, Value
from carerules.domain.moment import HOUR
from carerules.domain.quantity import LIFE_COST, Known, unit_named
from carerules.domain.signal import catalogue

SIGNAL = "pack.stored_life_cost"


def sample(at: int, *values: tuple[str, float]) -> Sample:
    return Sample(at, at, HERON.name, tuple(Value(*one) for one in values), "gauge")


def test_it_is_what_the_model_says() -> None:
    warm = sample(START, ("pack.soc", 90.0), ("pack.temperature", 30.0))
    said = take_sample(fresh(HERON), HERON, LIPO, warm).readings[SIGNAL]
    wanted = stored_cost(LIPO, 90.0, 30.0)
    assert isinstance(said, Known)
    assert wanted is not None
    assert said.value == pytest.approx(wanted.mid)
    assert said.spread == pytest.approx((wanted.high - wanted.low) / 2)


def test_full_and_warm_cost_more() -> None:
    estimate = take_event(fresh(HERON), HERON, LIPO, "full", START)
    seen = []
    for hour, temp in enumerate((15.0, 25.0, 35.0)):
        at = START + (hour + 1) * HOUR
        estimate = take_sample(estimate, HERON, LIPO, sample(at, ("pack.temperature", temp)))
        said = estimate.readings[SIGNAL]
        assert isinstance(said, Known)
        seen.append(said.value)
    assert seen == sorted(seen)
    assert len(set(seen)) == 3


def test_unknown_charge_is_unknown_cost() -> None:
    estimate = take_event(fresh(HERON), HERON, LIPO, "full", START)
    assert SIGNAL in estimate.readings
    assert SIGNAL not in take_event(estimate, HERON, LIPO, "use", START + HOUR).readings


def test_its_unit_is_written_as_it_is_said() -> None:
    unit = unit_named("%/month")
    assert unit is not None
    assert unit.dimension == LIFE_COST == catalogue()[SIGNAL].dimension
    assert unit.factor == 1

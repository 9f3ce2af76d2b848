"""Resistance learned from steps of current, what warmth does to it, and what comes of both.

Steps of a second on the measured 30 Ah pouch cell: 2.65 mΩ at 10 °C, 1.60 at 25, 1.57 at 40 (doi
10.5281/zenodo.2580327). Packs that are played here are our own (invented).
"""

import pytest
from benchpack import HERON, HOUR, LIPO, MINUTE, START, known, say

from carerules.battery import (
    Estimate,
    at_warmth,
    fresh,
    no_history,
    remembered,
    rest_voltage,
    take_event,
    take_sample,
)
from carerules.battery.ohm import LEARNED, Step, at_25, stepped, warmth_times, with_step
from carerules.domain.event import Sample, Value
from carerules.domain.moment import SECOND, Moment
from carerules.domain.quantity import Known

TYPICAL = LIPO.resistance_mohm_ah / HERON.capacity_ah
POUCH = ((10.0, 2.65), (25.0, 1.60), (40.0, 1.57))


def steps(
    count: int,
    mohm: float,
    *,
    amps: float = -8.0,
    every: int = 10 * SECOND,
    warm_c: float | None = None,
    estimate: Estimate | None = None,
    start: Moment = START,
) -> Estimate:
    """A load that goes on and off, a sample each `every`, at 60 % and so many mΩ a cell."""
    estimate = fresh(HERON) if estimate is None else estimate
    warm = {} if warm_c is None else {"temperature": warm_c}
    for number in range(2 * count):
        current = amps if number % 2 else 0.0
        volts = 4 * (rest_voltage(LIPO, 0.6) + current * mohm / 1_000)
        sample = say(start + number * every, current=current, voltage=volts, **warm)
        estimate = take_sample(estimate, HERON, LIPO, sample)
    return estimate


@pytest.mark.parametrize("mohm", [0.5 * TYPICAL, TYPICAL, 3 * TYPICAL])
def test_a_pack_teaches_its_resistance_in_ordinary_use(mohm: float) -> None:
    ohm = known(steps(30, mohm), "pack.resistance")
    assert ohm.source == LEARNED
    assert ohm.value == pytest.approx(mohm, rel=0.05)
    assert abs(ohm.value - mohm) <= 2 * ohm.spread
    assert 0.0999 * mohm <= ohm.spread <= 0.15 * mohm  # typical alone: ± 50 %


@pytest.mark.parametrize(
    ("amps", "every", "why"),
    [(-3.0, 10 * SECOND, "too small a step"), (-8.0, MINUTE, "too far apart")],
)
def test_what_shows_nothing_teaches_nothing(amps: float, every: int, why: str) -> None:
    ohm = known(steps(6, 3 * TYPICAL, amps=amps, every=every), "pack.resistance")
    assert (ohm.value, ohm.source) == (TYPICAL, "typical of lipo"), why


def test_a_step_that_cannot_be_is_left_out_and_one_wild_one_changes_little() -> None:
    before = known(steps(6, TYPICAL), "pack.resistance")
    for wild in (100 * TYPICAL, 3 * TYPICAL):
        after = with_step(before, TYPICAL, Step(wild, 0.15 * wild), None, START)
        assert after.value == before.value
    fresh_one = Known(TYPICAL, 0.5 * TYPICAL, START, "typical of lipo")
    assert with_step(fresh_one, TYPICAL, Step(11 * TYPICAL, TYPICAL), None, START) == fresh_one


@pytest.mark.parametrize(("was", "becomes"), [(TYPICAL, 2.5 * TYPICAL), (9 * TYPICAL, TYPICAL)])
def test_what_goes_on_is_believed(was: float, becomes: float) -> None:
    # a lead that corrodes, one that was changed
    before = steps(60, was)
    assert known(before, "pack.resistance").value == pytest.approx(was, rel=0.1)
    after = steps(60, becomes, estimate=before, start=START + HOUR)
    assert known(after, "pack.resistance").value == pytest.approx(becomes, rel=0.1)


def test_a_voltage_from_before_the_current_is_no_step() -> None:
    estimate = take_sample(fresh(HERON), HERON, LIPO, say(START, current=8.0, voltage=15.4))
    estimate = take_sample(estimate, HERON, LIPO, say(START + 5 * SECOND, current=0.0))
    late = say(START + 10 * SECOND, current=-8.0, voltage=15.25)
    estimate = take_sample(estimate, HERON, LIPO, late)
    assert known(estimate, "pack.resistance").source == "typical of lipo"


def test_what_a_person_measured_is_where_it_begins() -> None:
    sent = take_sample(
        fresh(HERON), HERON, LIPO,
        Sample(START, START, "heron", (Value("pack.resistance", 9.0, 0.2),), "a person"),
    )  # fmt: skip
    assert known(sent, "pack.resistance").source == "a person"
    after = known(steps(1, 9.0, estimate=sent, start=START + HOUR), "pack.resistance")
    assert after.value == pytest.approx(9.0, rel=0.01)


@pytest.mark.parametrize(("warm_c", "mohm"), POUCH)
def test_what_warmth_does_lies_within_the_claimed_doubt(warm_c: float, mohm: float) -> None:
    at_room, spread = at_25(Step(mohm, 0.05 * mohm), warm_c)
    assert abs(at_room - 1.60) <= 2 * spread
    again, _ = at_warmth(at_room, spread, warm_c)
    assert again == pytest.approx(mohm)


def test_the_cold_multiplies_it() -> None:
    # 94 Ah NMC, half charge, simses 1.3.12: 4.1 to 1.6 mΩ charging, 3.4 to 1.8 draining
    times, doubt = warmth_times(0.0)
    assert 0.0034 / 0.0018 <= times <= 0.0041 / 0.0016
    assert doubt > 0.3 * (times - 1)
    assert warmth_times(25.0) == (1.0, 0.0)
    assert warmth_times(None) == (1.0, 0.0)
    assert warmth_times(-60.0) == warmth_times(-25.0)
    assert [warmth_times(warm)[0] for warm in (-20, -5, 5, 20, 30)] == sorted(
        (warmth_times(warm)[0] for warm in (-20, -5, 5, 20, 30)), reverse=True
    )


def test_steps_in_the_cold_teach_the_resistance_at_25() -> None:
    times, _ = warmth_times(0.0)
    ohm = known(steps(8, times * TYPICAL, warm_c=0.0), "pack.resistance")
    assert ohm.value == pytest.approx(TYPICAL, rel=0.1)
    untold = known(steps(8, times * TYPICAL), "pack.resistance")
    assert untold.value == pytest.approx(times * TYPICAL, rel=0.1)


# --- what comes of it ----------------------------------------------------------------------------


def loaded_error(
    estimate: Estimate, mohm: float, warm_c: float | None = None
) -> tuple[float, float]:
    """Error and spread of a charge read under a load after a use that nobody counted: 40 %."""
    at = START + 10 * HOUR
    estimate = take_event(estimate, HERON, LIPO, "use", at)
    warm = {} if warm_c is None else {"temperature": warm_c}
    # the step at once, and six tenths of it again that come slowly (witness, `SAG`)
    volts = 4 * (rest_voltage(LIPO, 0.4) - 1.6 * 4.0 * mohm / 1_000)
    sample = say(at + HOUR, current=-4.0, voltage=volts, **warm)
    soc = known(take_sample(estimate, HERON, LIPO, sample))
    return soc.value - 40, soc.spread


def test_a_voltage_under_load_is_read_by_the_learned_resistance() -> None:
    mohm = 3 * TYPICAL
    untaught, wide = loaded_error(fresh(HERON), mohm)
    taught, narrow = loaded_error(steps(6, mohm), mohm)
    assert abs(taught) < 1.5
    assert abs(untaught) > 5
    assert abs(taught) <= 2 * narrow < 2 * wide + 10


def test_a_voltage_under_load_in_the_cold_is_read_by_the_cold_resistance() -> None:
    times, _ = warmth_times(0.0)
    # the curve itself moves by -0.25 mV/K, too: taken off here
    taught = steps(6, 2 * TYPICAL)
    off, spread = loaded_error(taught, times * 2 * TYPICAL, warm_c=0.0)
    blind, _ = loaded_error(taught, times * 2 * TYPICAL)
    assert abs(off) < abs(blind) - 3
    assert abs(off) <= 2 * spread


def test_health_compares_resistances_at_25() -> None:
    times, _ = warmth_times(0.0)
    past = no_history(HERON, LIPO)
    for number, (warm_c, mohm) in enumerate([(25.0, 6.0), (0.0, 6.0 * times)] * 3):
        for second in range(2):
            current = -8.0 if second else 0.0
            volts = 4 * (rest_voltage(LIPO, 0.6) + current * mohm / 1_000)
            at = START + number * HOUR + second * SECOND
            past = remembered(past, say(at, current=current, voltage=volts, temperature=warm_c))
    assert len(past.resistances) == 6
    assert [one.value for one in past.resistances] == pytest.approx([6.0] * 6)
    cold = past.resistances[1]
    assert cold.spread > past.resistances[0].spread


@pytest.mark.parametrize(
    ("before", "now"),
    [
        ((0, 15.2, 0.0), (0, 14.9, -8.0)),  # one moment
        ((0, 15.2, 0.0), (SECOND, 15.4, -8.0)),  # the wrong way
        ((0, 15.2, 0.0), (20 * SECOND, 14.9, -8.0)),  # too late
        ((0, 15.2, 0.0), (SECOND, float("nan"), -8.0)),
    ],
)
def test_a_step_that_is_none(
    before: tuple[int, float, float], now: tuple[int, float, float]
) -> None:
    assert stepped(before, now, 0.02, 16.0, 4) is None


def test_a_step_lost_in_the_meter_is_none() -> None:
    small = stepped((0, 15.2, 0.0), (SECOND, 15.19, -8.0), 0.02, 16.0, 4)
    assert small is None
    sharp = stepped((0, 15.2, 0.0), (SECOND, 15.19, -8.0), 0.001, 16.0, 4)
    assert sharp is not None
    assert isinstance(Known(sharp.mohm, sharp.doubt, 0, ""), Known)

"""Rest and rested voltages, the shelf, and what people say.

Expected values are worked out by hand beside each.
"""

import math

import pytest
from benchpack import (
    EGRET,
    HERON,
    HOUR,
    LFP,
    LIPO,
    MINUTE,
    START,
    heard,
    known,
    minutes,
    say,
)

from carerules.battery import (
    fresh,
    rest_voltage,
    take_event,
    take_sample,
    take_time,
)
from carerules.domain.moment import MONTH
from carerules.domain.quantity import Unknown

V60 = rest_voltage(LIPO, 0.60)
V40 = rest_voltage(LIPO, 0.40)


# --- rested voltages -----------------------------------------------------------------------------


def test_a_wrong_start_is_put_right_at_the_first_rest() -> None:
    estimate = heard(say(START, soc=70, current=0, voltage=4 * V60, spread=10))
    assert known(estimate).value == 70
    estimate = minutes(estimate, START + MINUTE, 30, current=0, voltage=4 * V60)
    # what was said was less sure, not worthless: it keeps a small share
    assert known(estimate).value == pytest.approx(60, abs=0.5)
    assert known(estimate).source == "rest voltage"
    assert known(estimate).spread < 8


def test_a_voltage_entered_by_hand_sets_the_charge_at_once() -> None:
    estimate = heard(say(START, voltage=4 * V60, source="manual"))
    assert known(estimate).value == pytest.approx(60, abs=0.1)
    # with the widest doubt: nobody has said how long it rested
    assert known(estimate).spread > known(heard(
        say(START, current=0), say(START + HOUR, current=0, voltage=4 * V60))).spread  # fmt: skip


def test_a_voltage_sags_while_nothing_tells_of_a_current() -> None:
    # A stream without a current: the step of 60 mV a cell says that something flows
    estimate = heard(say(START, voltage=4 * V60))
    for minute in range(1, 30):
        sagging = V60 - 0.06 - 0.006 * minute
        estimate = take_sample(
            estimate, HERON, LIPO, say(START + minute * MINUTE, voltage=4 * sagging)
        )
    assert known(estimate).value == pytest.approx(60, abs=0.1)
    assert known(estimate, "pack.rested").value_at(START + 29 * MINUTE) < 5 * MINUTE


def test_no_flutter_at_rest() -> None:
    # A meter that wavers by 2 mV a cell for six hours: half a point a time
    estimate = heard(say(START, current=0, voltage=4 * V60))
    seen = set()
    for minute in range(1, 360):
        volts = 4 * (V60 + 0.002 * math.sin(12.9898 * minute))
        estimate = take_sample(
            estimate, HERON, LIPO, say(START + minute * MINUTE, current=0, voltage=volts)
        )
        if "pack.soc" in estimate.readings:
            seen.add(known(estimate).value)
    assert len(seen) <= 10
    assert all(abs(value - 60) < 1 for value in seen)


def test_a_rested_voltage_that_contradicts_the_count_is_doubted_then_confirmed() -> None:
    estimate = heard(say(START, soc=90, current=0, spread=1))
    low = 4 * rest_voltage(LIPO, 0.20)
    estimate = take_sample(estimate, HERON, LIPO, say(START + HOUR, current=0, voltage=low))
    assert "rest voltage" in estimate.doubt
    assert known(estimate).value == pytest.approx(20, abs=0.1)
    assert known(estimate).spread == 30  # nobody knows yet which of the two is right
    early = take_sample(
        estimate, HERON, LIPO, say(START + HOUR + 5 * MINUTE, current=0, voltage=low)
    )
    assert known(early).spread == 30
    later = take_sample(
        estimate, HERON, LIPO, say(START + HOUR + 10 * MINUTE, current=0, voltage=low)
    )
    assert later.doubt == ""
    assert known(later).spread < 8


def test_a_voltage_that_comes_before_its_current_is_not_taken_for_rest() -> None:
    # Two topics, and the load goes on: its voltage is heard first, when the next look is due
    estimate = heard(say(START, current=0, voltage=4 * V60))
    estimate = minutes(estimate, START + MINUTE, 159, current=0, voltage=4 * V60)
    before = known(estimate)
    sagging = say(START + 160 * MINUTE, voltage=4 * (V60 - 0.06))
    estimate = take_sample(estimate, HERON, LIPO, sagging)
    assert known(estimate).value == pytest.approx(before.value, abs=0.01)
    assert known(estimate).spread == pytest.approx(before.spread, abs=0.01)


def test_a_rest_is_read_again_as_the_voltage_settles() -> None:
    # 10 mV below its end after the load (7-19 mV half a minute after, doi 10.5281/zenodo.2580327),
    # gone with a time constant of ten minutes: 3 points at first, at 3.2 mV a point
    estimate = heard(say(START, soc=40, current=0, spread=20))
    early = 0.0
    for minute in range(1, 180):
        volts = 4 * (V40 - 0.010 * math.exp(-minute / 10))
        estimate = take_sample(
            estimate, HERON, LIPO, say(START + minute * MINUTE, current=0, voltage=volts)
        )
        if minute == 6:
            early = known(estimate).value
    assert abs(early - 40) > 1
    assert known(estimate).value == pytest.approx(40, abs=0.1)


def test_a_voltage_from_before_the_last_word_is_not_read() -> None:
    estimate = heard(say(START + 5 * HOUR, soc=90))
    late = take_sample(estimate, HERON, LIPO, say(START + HOUR, voltage=4 * V40))
    assert known(late).value == known(estimate).value
    assert known(late, "pack.voltage").at == START + HOUR


def test_iron_phosphate_keeps_its_count_on_the_flat_part() -> None:
    # Charged full, then 6 Ah out of 20: 70 %. The voltage there could be anything from 40 to 95.
    estimate = take_event(fresh(EGRET), EGRET, LFP, "full", START)
    for minute in range(91):
        estimate = take_sample(
            estimate, EGRET, LFP, say(START + minute * MINUTE, pack=EGRET, current=-4)
        )
    for minute in range(91, 400):
        estimate = take_sample(
            estimate, EGRET, LFP,
            say(START + minute * MINUTE, pack=EGRET, current=0, voltage=4 * 3.33),
        )  # fmt: skip
    assert known(estimate).value == pytest.approx(70, abs=0.6)
    assert known(estimate).source == "counted"


def test_iron_phosphate_known_by_voltage_alone_is_known_badly() -> None:
    estimate = heard(say(START, voltage=4 * 3.30, pack=EGRET), pack=EGRET, chemistry=LFP)
    assert known(estimate).spread >= 25


# --- the shelf, uses and people ------------------------------------------------------------------


def test_a_pack_on_the_shelf_drifts_and_its_doubt_grows() -> None:
    # 2 % a month (1-3 % a month, from memory)
    estimate = take_event(fresh(HERON), HERON, LIPO, "full", START)
    assert known(estimate).value_at(START + MONTH) == pytest.approx(98, abs=0.01)
    later = take_time(estimate, HERON, LIPO, START + 3 * MONTH)
    assert known(later).value == pytest.approx(94, abs=0.01)
    assert known(later).spread == pytest.approx(math.hypot(2, 6), abs=0.01)


@pytest.mark.parametrize("what", ["use", "drain"])
def test_after_a_use_the_charge_is_unknown(what: str) -> None:
    estimate = take_event(heard(say(START, soc=95)), HERON, LIPO, what, START + HOUR)
    assert estimate.readings["pack.soc"] == Unknown("used since the last reading")
    assert known(estimate, "pack.rested").value_at(START + 2 * HOUR) == HOUR
    # until a voltage is entered
    entered = take_sample(
        estimate, HERON, LIPO, say(START + 2 * HOUR, voltage=4 * V40, source="manual")
    )
    assert known(entered).value == pytest.approx(40, abs=0.1)


def test_a_use_that_was_counted_leaves_the_count() -> None:
    estimate = minutes(heard(say(START, soc=95, current=-8)), START, 31, current=-8)
    estimate = minutes(estimate, START + 31 * MINUTE, 5, current=0)
    used = take_event(estimate, HERON, LIPO, "use", START + 35 * MINUTE)
    # 8 A for 31 min of 16 Ah: 25.8 points
    assert known(used).value == pytest.approx(95 - 25.8, abs=0.1)


def test_a_pack_whose_current_stood_at_nothing_was_not_counted() -> None:
    # Its feed said 0 A until it was unplugged and taken along
    estimate = minutes(heard(say(START, soc=95, current=0)), START, 60, current=0)
    used = take_event(estimate, HERON, LIPO, "use", START + HOUR)
    assert used.readings["pack.soc"] == Unknown("used since the last reading")


def test_a_use_told_late_does_not_spoil_a_newer_reading() -> None:
    estimate = heard(say(START + 5 * HOUR, voltage=4 * V40, source="manual"))
    told = take_event(estimate, HERON, LIPO, "use", START)
    assert known(told).value == pytest.approx(40, abs=0.1)


def test_a_reading_from_before_the_use_told_late_does_not_count() -> None:
    estimate = take_event(heard(say(START, soc=95)), HERON, LIPO, "use", START + 2 * HOUR)
    for late in (say(START + HOUR, soc=90), say(START + HOUR, voltage=4 * V60)):
        after = take_sample(estimate, HERON, LIPO, late)
        assert after.readings["pack.soc"] == Unknown("used since the last reading")


@pytest.mark.parametrize("what", ["charge", "full"])
def test_said_to_be_full(what: str) -> None:
    estimate = take_event(heard(say(START, soc=40)), HERON, LIPO, what, START + HOUR)
    assert known(estimate).value == 100
    assert known(estimate).spread <= 3


@pytest.mark.parametrize("what", ["swelling", "inspection", "calibration", "river-day"])
def test_other_events_change_nothing(what: str) -> None:
    estimate = heard(say(START, soc=40))
    assert take_event(estimate, HERON, LIPO, what, START + HOUR) is estimate


# --- rest ----------------------------------------------------------------------------------------


def test_rest_begins_where_the_current_ends() -> None:
    estimate = minutes(heard(say(START, soc=80, current=-4)), START, 30, current=-4)
    assert known(estimate, "pack.rested").value_at(START + 29 * MINUTE) == 0
    estimate = minutes(estimate, START + 30 * MINUTE, 30, current=0)
    rested = known(estimate, "pack.rested").value_at(START + 60 * MINUTE)
    assert rested == 30 * MINUTE


def test_a_trickle_is_rest() -> None:
    # C/50 of 16 Ah is 0.32 A
    estimate = heard(say(START, soc=80, current=-0.3))
    assert known(estimate, "pack.rested").value_at(START + HOUR) == HOUR
    estimate = take_sample(estimate, HERON, LIPO, say(START + HOUR, current=-0.33))
    assert known(estimate, "pack.rested").value_at(START + 2 * HOUR) == 0

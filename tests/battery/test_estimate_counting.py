"""Counting charge: the pack's own current, metered power, stated charges.

Expected values are worked out by hand beside each.
"""

import math
from dataclasses import replace

import pytest
from benchpack import (
    HERON,
    HOUR,
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
    take_energy,
    take_event,
    take_sample,
    take_time,
)
from carerules.battery.track import METER_HOLD_MAX
from carerules.domain.moment import DAY
from carerules.domain.signal import catalogue

V40 = rest_voltage(LIPO, 0.40)


# --- before anything is heard --------------------------------------------------------------------


def test_a_fresh_pack_says_only_what_the_site_file_says() -> None:
    readings = fresh(HERON).readings
    assert set(readings) == {"pack.capacity", "pack.health"}
    assert known(fresh(HERON), "pack.capacity").value == 16.0
    assert known(fresh(HERON), "pack.capacity").source == "rated"
    assert 5 <= known(fresh(HERON), "pack.health").spread <= 10


def test_age_runs_from_the_day_the_pack_was_made() -> None:
    pack = replace(HERON, made=START)
    assert known(fresh(pack), "pack.age").value_at(START + 400 * DAY) == 400 * DAY


def test_every_reading_is_a_signal_of_the_catalogue() -> None:
    estimate = heard(
        say(START, voltage=15.2, current=0, temperature=21, power=0, soc=50, capacity=15.5),
        say(START, cells=(3.8, 3.8, 3.81, 3.8), resistance=4),
        say(START + HOUR, cells=(3.8, 3.8, 3.81, 3.8), current=0),
    )
    assert set(estimate.readings) <= set(catalogue())
    assert set(estimate.readings) == {
        name for name in catalogue() if name.startswith("pack.") and name != "pack.age"
    }


# --- counting ------------------------------------------------------------------------------------


def test_a_current_that_comes_late_holds_although_a_plug_has_spoken_since() -> None:
    """A slow gateway: each sample is 25 s old, and the plug reports each 10 s meanwhile. What flows
    is the pack's own word, so the rest begins when it ends, not before it began."""
    estimate = heard(say(START, soc=80, cells=(4.0,) * 4, current=0))
    for at in range(START + 10_000, START + 10 * MINUTE, 10_000):
        flows = at <= START + 5 * MINUTE
        estimate = take_energy(estimate, HERON, LIPO, at, -60.0 if flows else 0.0)
        late = at - 25_000
        amps = -4.0 if START + 10_000 <= late <= START + 5 * MINUTE else 0.0
        if late > START:
            estimate = take_sample(estimate, HERON, LIPO, say(late, cells=(3.9,) * 4, current=amps))
    rested = known(estimate, "pack.rested")
    assert START + 5 * MINUTE <= rested.at <= START + 5 * MINUTE + 30_000
    # 4 A for 5 min out of 16 Ah are 2.1 points, seen 25 s late at either end.
    assert known(estimate, "pack.soc").value == pytest.approx(80 - 2.1, abs=0.5)


def test_an_older_current_changes_nothing() -> None:
    now = heard(say(START, soc=80, current=0), say(START + MINUTE, current=-4.0))
    late = take_sample(now, HERON, LIPO, say(START + 30_000, current=0.0))
    assert late.track == now.track


def test_counting_is_amperes_times_hours() -> None:
    # 4 A out of 16 Ah for one hour is 25 points; the shelf takes 2 % / 720 h beside it
    estimate = heard(say(START, soc=80, current=-4))
    estimate = minutes(estimate, START + MINUTE, 60, current=-4)
    assert known(estimate).value == pytest.approx(80 - 25, abs=0.01)
    assert known(estimate).source == "counted"


def test_charging_counts_less_than_it_takes() -> None:
    # 4 A for an hour, of which charge_efficiency comes back: 25 · 0.998
    estimate = heard(say(START, soc=40, current=4))
    estimate = minutes(estimate, START + MINUTE, 60, current=4)
    assert known(estimate).value == pytest.approx(40 + 24.95, abs=0.01)


def test_power_counts_where_no_current_is_sent() -> None:
    # 60 W at 15 V is 4 A
    estimate = heard(say(START, soc=80, voltage=15.0, power=-60))
    estimate = minutes(estimate, START + MINUTE, 60, voltage=15.0, power=-60)
    assert known(estimate).value == pytest.approx(55, abs=0.01)


def test_the_doubt_grows_with_the_charge_moved() -> None:
    estimate = heard(say(START, soc=90, current=-8, spread=1))
    spreads = []
    for hour in range(1, 4):
        estimate = minutes(estimate, START + hour * HOUR // 2, 30, current=-8)
        spreads.append(known(estimate).spread)
    assert spreads == sorted(spreads)
    # Rated capacity is known to 7 %, the gauge to 2 %: of 50 points moved, 3.5 and 1
    middle = known(minutes(heard(say(START, soc=90, current=-8, spread=1)), START, 61, current=-8))
    assert middle.spread == pytest.approx(math.hypot(1, 3.5, 1), rel=0.02)


def test_a_measured_capacity_is_counted_with() -> None:
    # 4 A out of 12.8 Ah for one hour: 31.25 points
    estimate = heard(say(START, soc=80, current=-4), say(START, capacity=12.8))
    estimate = minutes(estimate, START + MINUTE, 60, current=-4)
    assert known(estimate).value == pytest.approx(80 - 31.25, abs=0.01)
    assert known(estimate, "pack.health").value == pytest.approx(80)


def test_a_gap_holds_the_current_for_five_minutes_and_then_widens() -> None:
    # 8 A for 5 min of 16 Ah: 4.17 points; the other 25 min hide up to 20.8 more
    before = heard(say(START, soc=80, current=-8, spread=1))
    after = take_sample(before, HERON, LIPO, say(START + 30 * MINUTE, current=-8))
    assert known(after).value == pytest.approx(80 - 4.17, abs=0.01)
    assert known(after).spread == pytest.approx(20.83, abs=0.3)


def test_a_loaded_voltage_never_sets_the_charge() -> None:
    # 8 A through 4 cells sag them far below what 80 % shows at rest
    estimate = heard(say(START, soc=80, current=-8))
    count = known(minutes(estimate, START, 30, current=-8)).value
    with_voltage = minutes(estimate, START, 30, current=-8, voltage=14.0)
    assert known(with_voltage).value == count
    assert with_voltage.doubt == ""


# --- the plug's meter ----------------------------------------------------------------------------


def test_metered_power_counts_where_the_pack_is_silent() -> None:
    # 60 W for one hour out of about 16 Ah · 15.5 V: 60 / 248 = 24 points
    estimate = heard(say(START, soc=70))
    for minute in range(0, 60, 5):
        estimate = take_energy(estimate, HERON, LIPO, START + minute * MINUTE, -60)
    estimate = take_energy(estimate, HERON, LIPO, START + HOUR, 0)
    done = known(estimate)
    assert done.value == pytest.approx(70 - 100 * 60 / (16 * 4 * 3.87), abs=0.7)
    # 0 ends it
    later = known(take_time(estimate, HERON, LIPO, START + 3 * HOUR))
    assert later.value == pytest.approx(done.value, abs=0.02)


def test_a_meter_that_falls_silent_is_not_taken_to_go_on() -> None:
    # A charger's plug that dies at 43 %: three hours later nobody knows, and it is not "full".
    estimate = take_energy(heard(say(START, soc=43)), HERON, LIPO, START, 90)
    done = known(take_time(estimate, HERON, LIPO, START + 3 * HOUR))
    counted = 100 * 90 * METER_HOLD_MAX / HOUR / (16 * 4 * 3.8)
    assert done.value == pytest.approx(43 + counted, abs=0.7)
    assert done.spread >= 30, "it may have gone on: all three hours of it are in the doubt"
    assert known(estimate, "pack.rested").value_at(START) == 0


def test_metered_power_is_not_counted_beside_the_packs_own_current() -> None:
    estimate = heard(say(START, soc=80, current=-4))
    estimate = take_energy(estimate, HERON, LIPO, START, -60)
    estimate = minutes(estimate, START + MINUTE, 60, current=-4)
    assert known(estimate).value == pytest.approx(55, abs=0.01)


def test_metered_power_starts_and_ends_the_rest() -> None:
    estimate = take_energy(heard(say(START, soc=80)), HERON, LIPO, START, -60)
    assert known(estimate, "pack.rested").value_at(START + HOUR) == 0
    estimate = take_energy(estimate, HERON, LIPO, START + HOUR, 0)
    assert known(estimate, "pack.rested").value_at(START + 3 * HOUR) == 2 * HOUR


def test_a_metered_power_that_is_no_number_is_left_out() -> None:
    estimate = take_energy(heard(say(START, soc=80)), HERON, LIPO, START, math.nan)
    assert "plug" in estimate.doubt
    assert known(estimate).value == 80


# --- stated charges ------------------------------------------------------------------------------


def test_a_gauge_is_followed_when_it_is_all_there_is() -> None:
    estimate = heard(say(START, soc=80))
    for minute in range(1, 60):
        estimate = take_sample(
            estimate, HERON, LIPO, say(START + minute * MINUTE, soc=80 - minute / 2)
        )
    assert known(estimate).value == pytest.approx(80 - 59 / 2, abs=0.1)
    assert estimate.doubt == ""


def test_a_gauge_that_moves_counts_after_something_better_was_known() -> None:
    # Said full (2 points), gauge says 95: the count keeps 100 and follows the gauge's steps
    estimate = take_event(fresh(HERON), HERON, LIPO, "full", START)
    for minute in range(30):
        estimate = take_sample(estimate, HERON, LIPO, say(START + minute * MINUTE, soc=95 - minute))
    assert known(estimate).value == pytest.approx(100 - 29, abs=0.1)


def test_a_repeated_statement_does_not_grow_more_certain() -> None:
    estimate = heard(say(START, soc=60))
    once = known(estimate).spread
    estimate = minutes(estimate, START + MINUTE, 600, soc=60)
    assert known(estimate).spread >= once


def test_a_statement_does_not_overrule_a_voltage_read_in_the_same_rest() -> None:
    estimate = heard(say(START, current=0, voltage=4 * V40))
    estimate = minutes(estimate, START + MINUTE, 60, current=0, voltage=4 * V40)
    estimate = take_sample(estimate, HERON, LIPO, say(START + HOUR, soc=95, spread=1))
    assert known(estimate).value == pytest.approx(40, abs=0.1)
    assert "found `95 %`" in estimate.doubt


def test_the_newer_of_two_words_that_clearly_differ_counts() -> None:
    # Said full in the morning, 79 % in the evening: somebody used it and did not say so.
    estimate = take_event(fresh(HERON), HERON, LIPO, "full", START)
    estimate = take_sample(estimate, HERON, LIPO, say(START + 6 * HOUR, soc=79))
    assert known(estimate).value == pytest.approx(79, abs=0.1)
    # Two that may well mean the same charge do not: the more certain stays.
    estimate = take_event(fresh(HERON), HERON, LIPO, "full", START)
    estimate = take_sample(estimate, HERON, LIPO, say(START + 6 * HOUR, soc=92))
    assert known(estimate).value == pytest.approx(100, abs=0.2)

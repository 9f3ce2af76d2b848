"""The kept estimate, case by case. Expected charges are worked out by hand beside each."""

import math
from dataclasses import replace

import pytest
from benchpack import (
    CHEMISTRIES,
    EGRET,
    HERON,
    HOUR,
    LFP,
    LIPO,
    MINUTE,
    START,
    heard,
    known,
    say,
    sharp,
)

from carerules.battery import (
    Estimate,
    fresh,
    rest_voltage,
    take_energy,
    take_event,
    take_sample,
    take_time,
)
from carerules.domain.moment import DAY, MONTH
from carerules.domain.quantity import Known, Unknown
from carerules.domain.signal import catalogue

V60 = rest_voltage(LIPO, 0.60)
V40 = rest_voltage(LIPO, 0.40)


def _minutes(estimate: Estimate, start: int, count: int, **values: float) -> Estimate:
    for minute in range(count):
        estimate = take_sample(estimate, HERON, LIPO, say(start + minute * MINUTE, **values))
    return estimate


# --- before anything is heard ---------------------------------------------------------------------


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


# --- counting -------------------------------------------------------------------------------------


def test_counting_is_amperes_times_hours() -> None:
    # 4 A out of 16 Ah for one hour is 25 points; the shelf takes 2 % / 720 h beside it
    estimate = heard(say(START, soc=80, current=-4))
    estimate = _minutes(estimate, START + MINUTE, 60, current=-4)
    assert known(estimate).value == pytest.approx(80 - 25, abs=0.01)
    assert known(estimate).source == "counted"


def test_charging_counts_less_than_it_takes() -> None:
    # 4 A for an hour, of which charge_efficiency comes back: 25 · 0.998
    estimate = heard(say(START, soc=40, current=4))
    estimate = _minutes(estimate, START + MINUTE, 60, current=4)
    assert known(estimate).value == pytest.approx(40 + 24.95, abs=0.01)


def test_power_counts_where_no_current_is_sent() -> None:
    # 60 W at 15 V is 4 A
    estimate = heard(say(START, soc=80, voltage=15.0, power=-60))
    estimate = _minutes(estimate, START + MINUTE, 60, voltage=15.0, power=-60)
    assert known(estimate).value == pytest.approx(55, abs=0.01)


def test_the_doubt_grows_with_the_charge_moved() -> None:
    estimate = heard(say(START, soc=90, current=-8, spread=1))
    spreads = []
    for hour in range(1, 4):
        estimate = _minutes(estimate, START + hour * HOUR // 2, 30, current=-8)
        spreads.append(known(estimate).spread)
    assert spreads == sorted(spreads)
    # Rated capacity is known to 7 %, the gauge to 2 %: of 50 points moved, 3.5 and 1
    middle = known(_minutes(heard(say(START, soc=90, current=-8, spread=1)), START, 61, current=-8))
    assert middle.spread == pytest.approx(math.hypot(1, 3.5, 1), rel=0.02)


def test_a_measured_capacity_is_counted_with() -> None:
    # 4 A out of 12.8 Ah for one hour: 31.25 points
    estimate = heard(say(START, soc=80, current=-4), say(START, capacity=12.8))
    estimate = _minutes(estimate, START + MINUTE, 60, current=-4)
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
    count = known(_minutes(estimate, START, 30, current=-8)).value
    with_voltage = _minutes(estimate, START, 30, current=-8, voltage=14.0)
    assert known(with_voltage).value == count
    assert with_voltage.doubt == ""


# --- the plug's meter -----------------------------------------------------------------------------


def test_metered_power_counts_where_the_pack_is_silent() -> None:
    # 60 W for one hour out of about 16 Ah · 15.5 V: 60 / 248 = 24 points
    estimate = heard(say(START, soc=70))
    estimate = take_energy(estimate, HERON, LIPO, START, -60)
    estimate = take_energy(estimate, HERON, LIPO, START + HOUR, 0)
    done = known(estimate)
    assert done.value == pytest.approx(70 - 100 * 60 / (16 * 4 * 3.87), abs=0.7)
    # 0 ends it
    later = known(take_time(estimate, HERON, LIPO, START + 3 * HOUR))
    assert later.value == pytest.approx(done.value, abs=0.02)


def test_metered_power_is_not_counted_beside_the_packs_own_current() -> None:
    estimate = heard(say(START, soc=80, current=-4))
    estimate = take_energy(estimate, HERON, LIPO, START, -60)
    estimate = _minutes(estimate, START + MINUTE, 60, current=-4)
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


# --- rested voltages ------------------------------------------------------------------------------


def test_a_wrong_start_is_put_right_at_the_first_rest() -> None:
    estimate = heard(say(START, soc=70, current=0, voltage=4 * V60, spread=10))
    assert known(estimate).value == 70
    estimate = _minutes(estimate, START + MINUTE, 30, current=0, voltage=4 * V60)
    assert known(estimate).value == pytest.approx(60, abs=0.1)
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
    # A meter that wavers by 2 mV a cell, a minute apart, for six hours: half a point a time
    estimate = heard(say(START, current=0, voltage=4 * V60))
    seen = set()
    for minute in range(1, 360):
        volts = 4 * (V60 + (0.002 if minute % 2 else -0.002))
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


# --- what cannot be true --------------------------------------------------------------------------

GOOD = {"voltage": 4 * V60, "current": 0.0}
IMPOSSIBLE = [
    # 3 and 6 cells on a 4-cell pack: 3.15 V a cell could be, 6.3 could not
    ({"voltage": 25.2}, (), "pack.voltage", "wanted 6 to 17.48 V for 4 x lipo"),
    ({"voltage": 4.2}, (), "pack.voltage", "found `4.2 V`"),
    ({"voltage": math.nan}, (), "pack.voltage", "found `nan V`"),
    ({"temperature": math.nan}, (), "pack.temperature", "found `nan °C`, wanted -40 to 120 °C"),
    ({"current": math.inf}, (), "pack.current", "found `inf A`"),
    ({"soc": 101.0}, (), None, "found `101 %`, wanted 0 to 100 %"),
    ({"soc": -1.0}, (), None, "found `-1 %`"),
    ({"capacity": 160.0}, (), None, "found `160 Ah`, wanted 1.6 to 24 Ah"),
    ({}, (3.9, 3.9, 3.9), "pack.cell.min", "found 3 cells, wanted 4"),
    ({}, (3.9, 3.9, 3.9, math.nan), "pack.cell.min", "found `nan V`"),
    ({}, (3.9, 3.9, 3.9, 0.2), "pack.cell.min", "found `0.2 V`"),
    ({"voltage": 14.0}, (3.9, 3.9, 3.9, 3.9), "pack.cell.min", "about 15.6 V, the sum of"),
]


@pytest.mark.parametrize(("values", "cells", "lost", "says"), IMPOSSIBLE)
def test_what_cannot_be_true_is_left_out_and_said(
    values: dict[str, float], cells: tuple[float, ...], lost: str | None, says: str
) -> None:
    before = heard(say(START, soc=60, cells=(V60,) * 4, temperature=20, **GOOD))
    after = take_sample(before, HERON, LIPO, say(START + MINUTE, cells=cells, **values))
    assert says in after.doubt
    assert known(after).value == pytest.approx(60, abs=0.01)
    assert known(after, "pack.capacity").value == 16.0
    if lost is not None:
        assert after.readings[lost] == Unknown("implausible")
    # and the next good sample clears it
    good = say(START + 2 * MINUTE, soc=60, cells=(V60,) * 4, temperature=20, capacity=16, **GOOD)
    assert take_sample(after, HERON, LIPO, good).doubt == ""


def test_a_ruined_cell_is_believed() -> None:
    # 2.2 V is below harm (3.0 V), and the interlock has to see it
    estimate = heard(say(START, cells=(3.9, 3.9, 3.9, 2.2)))
    assert known(estimate, "pack.cell.min").value == 2.2
    assert estimate.doubt == ""


def test_the_old_estimate_stays_as_it_was() -> None:
    before = heard(say(START, soc=60, **GOOD))
    kept = dict(before.readings), before.track, before.rest
    take_sample(before, HERON, LIPO, say(START + HOUR, soc=10, voltage=14.2, current=-8))
    take_event(before, HERON, LIPO, "use", START + HOUR)
    take_energy(before, HERON, LIPO, START + HOUR, -60)
    assert kept == (dict(before.readings), before.track, before.rest)


# --- stated charges -------------------------------------------------------------------------------


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
    estimate = _minutes(estimate, START + MINUTE, 600, soc=60)
    assert known(estimate).spread >= once


def test_a_statement_does_not_overrule_a_voltage_read_in_the_same_rest() -> None:
    estimate = heard(say(START, current=0, voltage=4 * V40))
    estimate = _minutes(estimate, START + MINUTE, 60, current=0, voltage=4 * V40)
    estimate = take_sample(estimate, HERON, LIPO, say(START + HOUR, soc=95, spread=1))
    assert known(estimate).value == pytest.approx(40, abs=0.1)
    assert "found `95 %`" in estimate.doubt


# --- the shelf, uses and people -------------------------------------------------------------------


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
    estimate = _minutes(heard(say(START, soc=95, current=-8)), START, 31, current=-8)
    estimate = _minutes(estimate, START + 31 * MINUTE, 5, current=0)
    used = take_event(estimate, HERON, LIPO, "use", START + 35 * MINUTE)
    # 8 A for 31 min of 16 Ah: 25.8 points
    assert known(used).value == pytest.approx(95 - 25.8, abs=0.1)


def test_a_pack_whose_current_stood_at_nothing_was_not_counted() -> None:
    # Its feed said 0 A until it was unplugged and taken along
    estimate = _minutes(heard(say(START, soc=95, current=0)), START, 60, current=0)
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


# --- rest -----------------------------------------------------------------------------------------


def test_rest_begins_where_the_current_ends() -> None:
    estimate = _minutes(heard(say(START, soc=80, current=-4)), START, 30, current=-4)
    assert known(estimate, "pack.rested").value_at(START + 29 * MINUTE) == 0
    estimate = _minutes(estimate, START + 30 * MINUTE, 30, current=0)
    rested = known(estimate, "pack.rested").value_at(START + 60 * MINUTE)
    assert rested == 30 * MINUTE


def test_a_trickle_is_rest() -> None:
    # C/50 of 16 Ah is 0.32 A
    estimate = heard(say(START, soc=80, current=-0.3))
    assert known(estimate, "pack.rested").value_at(START + HOUR) == HOUR
    estimate = take_sample(estimate, HERON, LIPO, say(START + HOUR, current=-0.33))
    assert known(estimate, "pack.rested").value_at(START + 2 * HOUR) == 0


# --- cells ----------------------------------------------------------------------------------------


def test_cells_show_their_spread_and_imbalance() -> None:
    # Ai 2020 and Ramadass 2004, mean: 9.04 mV a point between 85 and 90 %
    cells = (4.05, 4.06, 4.07, 4.05)
    estimate = heard(say(START, current=0), say(START + HOUR, current=0, cells=cells))
    assert known(estimate, "pack.cell.min").value == 4.05
    assert known(estimate, "pack.cell.max").value == 4.07
    assert known(estimate, "pack.cell.spread").value == pytest.approx(0.02)
    assert known(estimate, "pack.voltage").value == pytest.approx(16.23)
    assert known(estimate, "pack.cell.imbalance").value == pytest.approx(20 / 9.04, abs=0.02)


def test_loaded_cells_say_nothing_of_imbalance() -> None:
    estimate = heard(say(START, current=-8, cells=(4.05, 4.06, 4.07, 4.05)))
    assert "pack.cell.imbalance" not in estimate.readings


def test_cells_that_are_not_seen_are_doubted_by_what_may_hide() -> None:
    estimate = heard(say(START, voltage=4 * 3.6, current=-1))
    lowest = known(estimate, "pack.cell.min")
    assert lowest.value == pytest.approx(3.6)
    # 10-15 mV a point there (Ai 2020, Ramadass 2004): three points low is still covered
    assert lowest.spread * 2 >= 3 * 0.0100
    assert "pack.cell.spread" not in estimate.readings
    assert lowest.source == "pack voltage"


def test_the_packs_voltage_does_not_hide_a_low_cell_seen_a_moment_ago() -> None:
    estimate = heard(
        say(START, cells=(3.9, 3.9, 3.9, 3.3)), say(START + MINUTE, voltage=15.0, current=0)
    )
    assert known(estimate, "pack.cell.min").value == 3.3


# --- time -----------------------------------------------------------------------------------------


def test_a_late_sample_changes_only_what_it_is_newest_on() -> None:
    estimate = heard(say(START, soc=80, current=-4), say(START + 10 * MINUTE, voltage=15.6))
    late = take_sample(estimate, HERON, LIPO, say(START + 5 * MINUTE, voltage=14.0, temperature=20))
    assert known(late, "pack.voltage").value == 15.6
    assert known(late, "pack.temperature").value == 20
    assert known(late).value == known(estimate).value


def test_readings_never_lie_in_the_future_of_the_track() -> None:
    estimate = heard(say(START, soc=80, current=-4), say(START - HOUR, temperature=20))
    assert all(
        reading.at <= estimate.track.at
        for reading in estimate.readings.values()
        if isinstance(reading, Known)
    )


def test_an_exact_curve_is_read_as_sharp_as_the_meter() -> None:
    chemistry = sharp(LIPO)
    estimate = heard(
        say(START, current=0),
        say(START + 3 * HOUR, current=0, voltage=4 * rest_voltage(LIPO, 0.9)),
        chemistry=chemistry,
    )
    # 5 mV of meter over 9-10 mV a point above 80 % (Ai 2020, Ramadass 2004)
    assert known(estimate).spread == pytest.approx(math.hypot(0.5, 5.1 / 9.04), abs=0.06)


def test_typical_resistance_until_it_is_measured() -> None:
    # about 4 mΩ a cell at 5 Ah (from memory), so a third of it at 16 Ah
    typical = known(heard(say(START, soc=50)), "pack.resistance")
    assert typical.value == pytest.approx(4 * 5 / 16)
    assert typical.source == "typical of lipo"
    measured = known(heard(say(START, resistance=6.0)), "pack.resistance")
    assert (measured.value, measured.source) == (6.0, "feed")


def test_all_shipped_chemistries_can_be_estimated() -> None:
    for chemistry in CHEMISTRIES.values():
        pack = replace(HERON, chemistry=chemistry.name, limits=chemistry.limits)
        volts = 4 * rest_voltage(chemistry, 0.05)
        estimate = heard(say(START, voltage=volts), pack=pack, chemistry=chemistry)
        assert known(estimate).value == pytest.approx(5, abs=0.1)

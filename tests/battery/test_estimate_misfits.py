"""What cannot be true, cells, late samples and typical figures.

Expected values are worked out by hand beside each.
"""

import math
from dataclasses import replace

import pytest
from benchpack import (
    CHEMISTRIES,
    HERON,
    HOUR,
    LIPO,
    MINUTE,
    START,
    heard,
    known,
    say,
    sharp,
)

from carerules.battery import (
    rest_voltage,
    take_energy,
    take_event,
    take_sample,
)
from carerules.domain.event import Sample, Value
from carerules.domain.quantity import Known, Unknown

V60 = rest_voltage(LIPO, 0.60)


# --- what cannot be true -------------------------------------------------------------------------

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


# --- cells ---------------------------------------------------------------------------------------


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
    # 14.9 mV a point there (Ai 2020, Ramadass 2004): three points low is still covered
    assert lowest.spread * 2 >= 3 * 0.0149
    assert "pack.cell.spread" not in estimate.readings
    assert lowest.source == "pack voltage"


def test_the_packs_voltage_does_not_hide_a_low_cell_seen_a_moment_ago() -> None:
    estimate = heard(
        say(START, cells=(3.9, 3.9, 3.9, 3.3)), say(START + MINUTE, voltage=15.0, current=0)
    )
    assert known(estimate, "pack.cell.min").value == 3.3


# --- time ----------------------------------------------------------------------------------------


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
        if chemistry.shows_charge:
            assert known(estimate).value == pytest.approx(5, abs=0.1)
        else:
            assert isinstance(estimate.readings["pack.soc"], Unknown)


def test_of_a_signal_said_twice_in_one_sample_the_first_is_no_better_than_the_second() -> None:
    sure, unsure = Value("pack.soc", 60.0, 1.0), Value("pack.soc", 80.0, 9.0)
    for both in ((sure, unsure), (unsure, sure)):
        estimate = heard(Sample(START, START, "heron", both, "feed"))
        assert (known(estimate).value, known(estimate).spread) == (60, 1)

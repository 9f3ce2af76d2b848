"""A voltage under a current: corrected by the resistance, and listened to only in need.

The pack here is our own: its rest curve, 7 mΩ a cell and no slow part (invented).
"""

import pytest
from benchpack import EGRET, HERON, HOUR, LFP, LIPO, MINUTE, START, heard, known, say

from carerules.battery import fresh, rest_voltage, take_event, take_sample
from carerules.domain.quantity import Unknown

OHM = 0.007


def under(charge: float, amps: float) -> float:
    return 4 * (rest_voltage(LIPO, charge / 100) + amps * OHM)


@pytest.mark.parametrize("charge", [10, 50, 90])
@pytest.mark.parametrize("amps", [-8.0, -1.0, 1.0, 8.0])
def test_a_charge_that_nobody_knows_is_read_under_load_with_doubt(
    charge: float, amps: float
) -> None:
    estimate = heard(say(START, current=amps, voltage=under(charge, amps), resistance=7.0))
    soc = known(estimate)
    assert soc.source == "voltage under load"
    assert abs(soc.value - charge) <= 2 * soc.spread
    resting = heard(say(START, current=0), say(START + HOUR, current=0, voltage=under(charge, 0)))
    assert soc.spread > known(resting).spread


def test_the_harder_the_load_the_wider_the_doubt() -> None:
    spreads = [
        known(heard(say(START, current=amps, voltage=under(50, amps), resistance=7.0))).spread
        for amps in (-1.0, -4.0, -12.0)
    ]
    assert spreads == sorted(spreads)
    assert spreads[0] < spreads[-1]


def test_above_an_hours_rate_no_voltage_is_read() -> None:
    estimate = heard(say(START, current=-17.0, voltage=under(50, -17)))
    assert "pack.soc" not in estimate.readings


def test_a_count_that_is_any_good_does_not_listen() -> None:
    estimate = heard(
        say(START, soc=80.0, spread=8.0),
        say(START + MINUTE, current=-4.0, voltage=under(50, -4.0), resistance=7.0),
    )
    assert known(estimate).value == pytest.approx(80, abs=0.1)


def test_after_a_use_a_load_tells_again() -> None:
    estimate = take_event(fresh(HERON), HERON, LIPO, "use", START)
    assert isinstance(estimate.readings["pack.soc"], Unknown)
    later = say(START + HOUR, current=-4.0, voltage=under(30, -4.0), resistance=7.0)
    estimate = take_sample(estimate, HERON, LIPO, later)
    assert abs(known(estimate).value - 30) <= 2 * known(estimate).spread


def test_a_voltage_with_no_current_beside_it_is_not_read_while_something_flows() -> None:
    estimate = heard(say(START, current=-8.0), say(START + MINUTE, voltage=under(50, -8)))
    assert "pack.soc" not in estimate.readings


def test_the_flat_part_of_iron_phosphate_tells_nothing_under_load() -> None:
    sample = say(START, pack=EGRET, current=-4.0, voltage=4 * 3.25)
    estimate = take_sample(fresh(EGRET), EGRET, LFP, sample)
    assert known(estimate).spread == 30


# ---- what may hide where no cell is seen -----------------------------------------------------


def hidden_v(estimate) -> float:  # type: ignore[no-untyped-def]
    lowest = known(estimate, "pack.cell.min")
    assert lowest.source == "pack voltage"
    return lowest.spread


@pytest.mark.parametrize("charge", [12, 30, 60])
def test_a_pack_once_seen_uneven_may_hide_a_lower_cell(charge: float) -> None:
    mean = rest_voltage(LIPO, charge / 100)
    weak = rest_voltage(LIPO, (charge - 8) / 100)
    cells = (mean, mean, mean, weak)
    leads_off = say(START + 2 * HOUR, current=0.0, voltage=4 * mean)
    even = heard(say(START, current=0.0, voltage=4 * mean), leads_off)
    uneven = heard(
        say(START, current=0.0),
        say(START + HOUR, current=0.0, cells=cells),
        leads_off,
    )
    assert known(uneven, "pack.cell.imbalance").value == pytest.approx(8, abs=0.2)
    assert hidden_v(uneven) > 2 * hidden_v(even)
    # one sigma reaches down to where the weak cell was last seen
    assert mean - hidden_v(uneven) <= weak

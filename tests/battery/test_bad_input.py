"""What cannot be true is left out with its reason, and never averaged in.

Each row is a good pack that then hears one thing that is wrong. Figures: 4 cells of lipo;
conversions from NIST SP 811 (t/°C = (t/°F - 32)/1.8) and SI prefixes.
"""

import math

import pytest
from benchpack import HERON, HOUR, LIPO, MINUTE, START, heard, known, say

from carerules.battery import fresh, rest_voltage, take_energy, take_sample
from carerules.domain.event import Sample, Value
from carerules.domain.quantity import Known, Unknown

V60 = rest_voltage(LIPO, 0.6)
GOOD = (
    say(START, current=0.0, voltage=4 * V60, temperature=21.0, cells=(V60,) * 4),
    say(START + HOUR, current=0.0, voltage=4 * V60, temperature=21.0, cells=(V60,) * 4),
)

WRONG = [
    ("not a number", "voltage", math.nan, "pack.voltage"),
    ("no end", "current", math.inf, "pack.current"),
    ("below nothing", "voltage", -15.2, "pack.voltage"),
    ("millivolts for volts", "voltage", 15_200.0, "pack.voltage"),
    ("one cell for the pack", "voltage", 3.8, "pack.voltage"),
    ("six cells for four", "voltage", 22.8, "pack.voltage"),
    ("milliamperes for amperes", "current", -3_000.0, "pack.current"),
    ("a share for percent", "soc", -0.5, "pack.soc"),
    ("more than full", "soc", 150.0, "pack.soc"),
    ("milliampere hours for ampere hours", "capacity", 16_000.0, "pack.capacity"),
    ("°F for °C", "temperature", 69.8, "pack.temperature"),
    ("kelvin for °C", "temperature", 294.0, "pack.temperature"),
]


@pytest.mark.parametrize(
    ("name", "number", "signal"), [row[1:] for row in WRONG], ids=[row[0] for row in WRONG]
)
def test_it_is_left_out_with_its_reason(name: str, number: float, signal: str) -> None:
    before = heard(*GOOD)
    after = take_sample(
        before, HERON, LIPO, say(START + HOUR + MINUTE, source="other", **{name: number})
    )
    assert signal in after.doubts
    assert "found" in after.doubts[signal]
    assert "wanted" in after.doubts[signal]
    assert f"{number:g}" in after.doubts[signal]
    for one in ("pack.soc", "pack.capacity", "pack.cell.min"):
        assert known(after, one).value == pytest.approx(known(before, one).value, abs=1e-3)
        assert known(after, one).spread == pytest.approx(known(before, one).spread, abs=1e-3)
    reading = after.readings.get(signal)
    assert isinstance(reading, Unknown) or reading == before.readings[signal] or name == "soc"


CELLS = [
    ("millivolts for volts", (3_800.0,) * 4),
    ("not a number", (V60, V60, math.nan, V60)),
    ("below nothing", (V60, V60, -V60, V60)),
    ("three of four", (V60,) * 3),
]


@pytest.mark.parametrize("cells", [row[1] for row in CELLS], ids=[row[0] for row in CELLS])
def test_cells_that_cannot_be_are_left_out(cells: tuple[float, ...]) -> None:
    after = take_sample(heard(*GOOD), HERON, LIPO, say(START + HOUR + MINUTE, cells=cells))
    assert "wanted" in after.doubts["cells"]
    assert isinstance(after.readings["pack.cell.min"], Unknown)
    assert known(after).value == pytest.approx(60, abs=1)


@pytest.mark.parametrize("power_w", [math.nan, math.inf, -math.inf, 1e10])
def test_a_power_that_cannot_be_is_left_out(power_w: float) -> None:
    after = take_energy(heard(*GOOD), HERON, LIPO, START + HOUR + MINUTE, power_w)
    assert "wanted" in after.doubts["plug"]
    assert known(after).value == pytest.approx(60, abs=1)


# ---- °F, and a pack that is really hot -------------------------------------------------------


def warm(*celsius: float) -> dict[str, object]:
    estimate = fresh(HERON)
    for index, value in enumerate(celsius):
        sample = Sample(
            START + index * MINUTE, START + index * MINUTE, "heron",
            (Value("pack.temperature", value),), "feed",
        )  # fmt: skip
        estimate = take_sample(estimate, HERON, LIPO, sample)
    return {"reading": estimate.readings["pack.temperature"], "doubt": estimate.doubt}


def test_a_sender_in_fahrenheit_is_found_out_at_its_first_word() -> None:
    told = warm(77.0)
    assert told["reading"] == Unknown("implausible")
    assert told["doubt"] == (
        "`pack.temperature`: found `77 °C`, which looks like 25 °C sent in °F, wanted °C;"
        " name the unit in the feed's profile"
    )
    assert warm(77.0, 78.1, 79.0)["reading"] == Unknown("implausible")


def test_a_sender_that_changes_to_fahrenheit_is_found_out() -> None:
    told = warm(25.0, 77.0)
    assert isinstance(told["reading"], Known)
    assert told["reading"].value == 25.0
    assert told["reading"].at == START, "it grows old by itself"


@pytest.mark.parametrize("path", [(25, 40, 61, 80, 110), (25, 77, 90, 110), (25, 70), (20, 119)])
def test_a_pack_that_burns_is_believed(path: tuple[float, ...]) -> None:
    told = warm(*path)
    assert isinstance(told["reading"], Known)
    assert told["reading"].value == path[-1]


def test_a_person_was_asked_for_the_unit_and_is_believed() -> None:
    sample = Sample(START, START, "heron", (Value("pack.temperature", 77.0, 2.0),), "a person")
    assert known(take_sample(fresh(HERON), HERON, LIPO, sample), "pack.temperature").value == 77.0


def test_the_first_word_may_be_of_a_pack_that_burns() -> None:
    assert isinstance(warm(100.0)["reading"], Known)

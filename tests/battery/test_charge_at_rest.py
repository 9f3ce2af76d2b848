"""Charge from rest voltage, held against the published curves."""

import math
from itertools import pairwise

import pytest
from benchpack import CHEMISTRIES, HOUR, LFP, LIPO, MINUTE, Row, published, rested
from hypothesis import given
from hypothesis import strategies as st

from carerules.battery import (
    Chemistry,
    relaxation_v,
    rest_voltage,
    volts_at_charge,
)

ROWS = [row for row in published() if row.family in CHEMISTRIES and row.charge >= 5]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.set} {row.charge:g}")
def test_each_published_cell_lies_within_two_spreads(row: Row) -> None:
    read = rested(CHEMISTRIES[row.family], row.volts, 0.0, 3 * HOUR)
    assert read is not None
    assert abs(read[0] - row.charge) <= 2 * read[1], row.doi


@pytest.mark.parametrize("family", ["lipo", "li-ion"])
def test_the_spread_is_no_wider_than_the_cells_are_apart(family: str) -> None:
    # Two published cells: the spread claims about their distance, not several times it.
    ratios = []
    for row in ROWS:
        if row.family == family:
            read = rested(CHEMISTRIES[family], row.volts, 0.0, 3 * HOUR)
            assert read is not None
            ratios.append(abs(read[0] - row.charge) / read[1])
    assert 0.25 < math.sqrt(sum(ratio**2 for ratio in ratios) / len(ratios)) < 1.0


def _published_charge(set_name: str, volts: float) -> float:
    """Straight lines through the published points, read without the code under test."""
    points = [(row.volts, row.charge) for row in published() if row.set == set_name]
    for (low_v, low), (high_v, high) in pairwise(points):
        if low_v <= volts <= high_v:
            return low + (high - low) * (volts - low_v) / (high_v - low_v)
    raise AssertionError(volts)


@pytest.mark.parametrize(
    ("family", "set_name"),
    [
        ("lipo", "Ai 2020"), ("lipo", "Ramadass 2004"),
        ("li-ion", "Mohtat 2020"), ("li-ion", "Chen 2020"),
    ],
)  # fmt: skip
def test_at_each_point_of_the_file_the_published_cells_are_within_its_spread(
    family: str, set_name: str
) -> None:
    chemistry = CHEMISTRIES[family]
    points = zip(chemistry.fractions, chemistry.volts, chemistry.spreads, strict=True)
    for fraction, volts, spread in list(points)[1:]:
        assert abs(_published_charge(set_name, volts) - 100 * fraction) <= 1.2 * spread, volts


def test_four_cells_rested_at_fifteen_volts() -> None:
    # Common practice, no source: a rested 4-cell pack at 15.0 V is taken as about 31 % full.
    # Published cobalt-oxide cells (Ai 2020, Ramadass 2004), at 15.0 ± 0.05 V: 26 to 40 %.
    low = min(_published_charge(name, 14.95 / 4) for name in ("Ai 2020", "Ramadass 2004"))
    high = max(_published_charge(name, 15.05 / 4) for name in ("Ai 2020", "Ramadass 2004"))
    assert low >= 25.5
    assert high <= 41
    read = rested(LIPO, 15.0 / 4, 0.05 / 4, HOUR)
    assert read is not None
    assert low <= read[0] <= high
    assert abs(read[0] - 31) <= 2
    assert 4 <= read[1] <= 8


def test_iron_phosphate_is_unreadable_on_its_flat_part() -> None:
    # Naumann 2018: 3.267 V at 30 %, 3.344 V at 95 %
    for millivolts in range(3_260, 3_346):
        read = rested(LFP, millivolts / 1_000, 0.0, 3 * HOUR)
        assert read is not None
        assert read[1] >= 10, millivolts
    # and readable below 20 % (3.19 V at 10 %) and when full
    for cell_v in (3.0, 3.15, 3.45):
        read = rested(LFP, cell_v, 0.005, 3 * HOUR)
        assert read is not None
        assert read[1] <= 5


def test_a_voltage_just_above_the_flat_part_is_not_read_as_sharp() -> None:
    edge = rested(LFP, 3.350, 0.005, 3 * HOUR)
    assert edge is not None
    assert edge[0] > 97
    assert edge[1] > 15  # 5 mV lower it could be anything from 80 % up


@pytest.mark.parametrize(
    ("time", "low_v", "high_v"),
    [
        # doi 10.5281/zenodo.2580327, against one hour's rest at 25 °C: the measured range
        (MINUTE // 2, 0.007, 0.019),
        (10 * MINUTE, 0.001, 0.010),
        (30 * MINUTE, 0.000, 0.004),
    ],
)
def test_relaxation_is_as_measured(time: int, low_v: float, high_v: float) -> None:
    assert low_v <= relaxation_v(time) <= high_v


def test_the_less_rested_the_wider() -> None:
    spreads = []
    for minutes in (1, 5, 20, 60, 600):
        read = rested(LIPO, 3.80, 0.002, minutes * MINUTE)
        assert read is not None
        spreads.append(read[1])
    assert spreads == sorted(spreads, reverse=True)
    assert spreads[0] > spreads[-1]


@pytest.mark.parametrize("cell_v", [2.88, 4.22, 0.0, -1.0, 15.2, math.nan, math.inf])
def test_off_the_curve_is_unknown_and_never_clamped(cell_v: float) -> None:
    assert rested(LIPO, cell_v, 0.005, HOUR) is None


@pytest.mark.parametrize(("cell_v", "charge"), [(4.205, 100), (2.895, 0)])
def test_a_few_millivolts_past_the_ends_are_the_ends(cell_v: float, charge: float) -> None:
    read = rested(LIPO, cell_v, 0.005, HOUR)
    assert read is not None
    assert read[0] == charge


@given(st.sampled_from([one for one in CHEMISTRIES.values() if one.shows_charge]), st.floats(0, 1))
def test_there_and_back(chemistry: Chemistry, fraction: float) -> None:
    read = rested(chemistry, rest_voltage(chemistry, fraction), 0.0, 3 * HOUR)
    assert read is not None
    assert read[0] == pytest.approx(100 * fraction, abs=1e-6)
    assert 0 < read[1] <= 30


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.set} {row.charge:g}")
def test_each_published_cell_has_the_voltage_of_its_charge_within_two_spreads(row: Row) -> None:
    """The other way round, and on the flat part of iron phosphate, too."""
    cell_v, spread_v = volts_at_charge(CHEMISTRIES[row.family], row.charge, 1.0)
    assert abs(cell_v - row.volts) <= 2 * spread_v, row.doi


def test_a_charge_just_above_a_knee_is_not_taken_for_the_flat_part() -> None:
    # The curve of the file itself, no outside source: it falls from 3.2 V at a tenth to 2 V.
    cell_v, spread_v = volts_at_charge(LFP, 12.0, 5.0)
    assert cell_v - 2 * spread_v <= rest_voltage(LFP, 0.02)

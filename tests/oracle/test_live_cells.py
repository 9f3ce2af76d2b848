"""The tables about cells made anew, each where its library is installed; and what ships is as made.

Needs pybamm or blast-lite (docs/oracles/README.md), which want environments of their own; not part
of the ordinary tests.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import pytest

ORACLES = Path(__file__).parents[2] / "docs" / "oracles"
sys.path.insert(0, str(ORACLES))


def read(file: Path) -> list[list[str]]:
    with file.open(encoding="utf-8", newline="") as lines:
        return [row for row in csv.reader(lines) if not row[0].startswith("#")]


def same(one: str, other: str) -> bool:
    try:
        return float(one) == pytest.approx(float(other), rel=1e-6)
    except ValueError:
        return one == other


def assert_alike(made: Path, kept: Path) -> None:
    ours, theirs = read(kept), read(made)
    assert len(ours) == len(theirs)
    for one, other in zip(ours, theirs, strict=True):
        assert all(same(a, b) for a, b in zip(one, other, strict=True)), (one, other)


def test_drains(tmp_path: Path) -> None:
    pytest.importorskip("pybamm")
    import drain_table

    drain_table.main(tmp_path)
    assert_alike(tmp_path / "drains.csv", ORACLES / "drains.csv")


def test_slope_bands(tmp_path: Path) -> None:
    pytest.importorskip("scipy")
    import slope_bands

    slope_bands.main(tmp_path)
    assert_alike(tmp_path / "slope_bands.csv", ORACLES / "slope_bands.csv")


def test_ageing(tmp_path: Path) -> None:
    pytest.importorskip("blast")
    import ageing_table

    ageing_table.main(tmp_path)
    assert_alike(tmp_path / "ageing.csv", ORACLES / "ageing.csv")


def test_phosphate(tmp_path: Path) -> None:
    pytest.importorskip("pybamm")
    import phosphate_runs

    phosphate_runs.main(tmp_path)
    ours, made = read(ORACLES / "phosphate_runs.csv"), read(tmp_path / "phosphate_runs.csv")
    assert len(ours) == len(made)
    # The solver steps where it likes: a thousandth of a volt, a hundredth of a point.
    for one, other in zip(ours[1:], made[1:], strict=True):
        for kept, again, apart in zip(one, other, (0, 0, 0.01, 0.001, 0.01), strict=True):
            assert abs(float(kept) - float(again)) <= apart, (one, other)

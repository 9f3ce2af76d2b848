"""Prices are worked out on a grid: how far that may move them, over every published cell."""

from __future__ import annotations

import pytest

from carerules.battery.ageing import GRID, life_cost, stored_cost
from carerules.battery.chemistry import shipped_chemistries
from carerules.domain.quantity import Known

MOVED_MOST = 0.04
"""What the docstring of `GRID` says."""


@pytest.mark.parametrize("name", [n for n, one in shipped_chemistries().items() if one.life])
def test_the_grid_moves_no_price_by_more_than_it_says(name: str) -> None:
    chemistry = shipped_chemistries()[name]
    moved = 0.0
    for tenth in range(1_001):
        soc, warm = tenth / 10, 20.0 + (tenth % 7) / (7 * GRID)
        readings = {
            "pack.soc": Known(soc, 1.0, 0, "x"),
            "pack.temperature": Known(warm, 0.1, 0, "x"),
        }
        kept, exact = life_cost(chemistry, readings, 0), stored_cost(chemistry, soc, warm)
        if exact is None:
            continue
        assert kept is not None
        moved = max(moved, abs(kept.value / exact.mid - 1))
    assert moved <= MOVED_MOST

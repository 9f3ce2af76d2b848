"""Which night finds each planted fault first: `python tests/campaign/first_nights.py`.

After a trouble or a draw more, nights are drawn otherwise; the numbers go into `plants.py`. Where
all are found where they were that takes a minute, and two for each that is not, at worst.
"""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import pytest
from plants import PLANTS, breaks, first_night


def told(place: int) -> str:
    """What is to be written of the plant at this place; nothing: its night still finds it."""
    plant = PLANTS[place]
    with pytest.MonkeyPatch.context() as patch:
        plant.plant(patch)
        if breaks(plant, plant.first):
            return ""
        return f"{plant.name}: first={first_night(plant)}, was {plant.first}"


def main() -> None:
    """A line for each plant that its night does not find any more."""
    with ProcessPoolExecutor(os.cpu_count(), mp_context=get_context("spawn")) as pool:
        for line in filter(None, pool.map(told, range(len(PLANTS)))):
            print(line, flush=True)


if __name__ == "__main__":
    main()

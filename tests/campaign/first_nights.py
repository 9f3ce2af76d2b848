"""Which night finds each planted fault first: `python tests/campaign/first_nights.py`.

After a trouble or a draw more, nights are drawn otherwise; the numbers go into `plants.py`. It
takes some minutes.
"""

from __future__ import annotations

import pytest
from plants import PLANTS, breaks, first_night


def main() -> None:
    """A line for each plant that its night does not find any more."""
    for plant in PLANTS:
        with pytest.MonkeyPatch.context() as patch:
            plant.plant(patch)
            if not breaks(plant, plant.first):
                print(f"{plant.name}: first={first_night(plant)}, was {plant.first}", flush=True)


if __name__ == "__main__":
    main()

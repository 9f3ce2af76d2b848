"""A small invented site, and a cell whose rest curve is a straight line."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC

from carerules.domain.moment import LocalTime
from carerules.domain.pack import Limits, Pack, Plug, Site, Socket, Station

BIRDS = ("avocet", "bittern", "curlew", "dunlin", "egret", "fulmar", "grebe", "heron")

LIMITS = Limits(3.4, 4.22, 3.0, 0, 50, 5, 45)


@dataclass(frozen=True)
class Line:
    """3.0 V empty to 4.2 V full, straight: everything has a closed form."""

    fractions: tuple[float, ...] = (0.0, 1.0)
    volts: tuple[float, ...] = (3.0, 4.2)
    spreads: tuple[float, ...] = (2.0, 2.0)
    resistance_mohm_ah: float = 45.0
    self_discharge_pct_month: float = 2.0


KINDS = {"straight": Line()}


def site(packs: int = 2) -> Site:
    """`packs` packs of 6 cells and 16 Ah, and two stations with a load and a charger each."""
    names = BIRDS[:packs]
    return Site(
        name="river survey",
        local=LocalTime(UTC),
        packs={name: Pack(name, "straight", 6, 16.0, LIMITS) for name in names},
        stations={
            f"bench-{i}": Station(
                f"bench-{i}", Socket(f"load-{i}", 60.0), Socket(f"charger-{i}", 200.0)
            )
            for i in (1, 2)
        },
        plugs={
            name: Plug(name, "virtual") for i in (1, 2) for name in (f"load-{i}", f"charger-{i}")
        },
        virtual=True,
    )

"""How warm a drain makes a pack: one lump of heat in still air.

Knows volume, heat and air. Does not know bags, sun or what the pack lies on, which change it more
than anything here; so the air's figure may be half or double, and whoever shows this shows a band.

The pack is taken as a block of 3 : 2 : 1, which has 22 · (V / 6)^⅔ of surface. With C its heat
capacity and hA what the air takes for each kelvin, C dT/dt = P - hA (T - T_air): exact for each
stretch of steady power P.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import exp

from carerules.battery.chemistry import Chemistry
from carerules.domain.frozen import guarded
from carerules.domain.pack import Pack

AIR_SHARE = 2.0
"""The air may take half or double what the chemistry file says (no source)."""


@guarded
class Body:
    """A pack as a lump: `heat_j_k` warms it by one kelvin, `air_w_k` leaves it for each."""

    heat_j_k: float
    air_w_k: float

    @property
    def settles_s(self) -> float:
        """The time in which it comes 63 % closer to where it is going."""
        return self.heat_j_k / self.air_w_k


def body_of(pack: Pack, chemistry: Chemistry, air_share: float = 1.0) -> Body | None:
    """The pack as a lump; None: the chemistry says nothing of heat."""
    heat = chemistry.heat
    if heat is None:
        return None
    volume_ml = heat.cell_ml_ah * pack.capacity_ah * pack.cells
    # A box of 1 : 2 : 3, by definition.
    surface_m2 = 22 * (volume_ml * 1e-6 / 6) ** (2 / 3)
    return Body(heat.heat_j_ml_k * volume_ml, heat.air_w_m2_k * air_share * surface_m2)


def warmed(
    body: Body, start_c: float, air_c: float, stretches: Iterable[tuple[float, float]]
) -> tuple[float, float]:
    """Temperature (°C) at the end, and the highest on the way, after stretches of steady heat,
    each (seconds, watts)."""
    temp = highest = start_c
    for time_s, heat_w in stretches:
        goes_to = air_c + heat_w / body.air_w_k
        temp = goes_to + (temp - goes_to) * exp(-time_s / body.settles_s)
        highest = max(highest, temp)  # within a stretch it runs one way
    return temp, highest

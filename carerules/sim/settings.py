"""How a virtual site begins and behaves: what the site file does not say.

Knows choices and their usual values. Does not know the packs' nature.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from typing import Literal

from carerules.domain.frozen import guarded
from carerules.domain.moment import MINUTE, SECOND, Duration, Moment
from carerules.domain.pack import Use
from carerules.sim.plug import Fault


@guarded
class VirtualPack:
    """How one pack begins: charge (%), where it hangs, whether it tells its volts, its health.

    `health` is its capacity against the label, %; `uneven` is how many times the usual its cells
    are apart. `off_curve` is how far its rest curve lies above the chemistry's, in the spreads
    that the chemistry gives (-2 to 2). A pack without `feed` says nothing of itself: only people
    and plugs do.
    """

    soc: float = 60.0
    station: str | None = None
    feed: bool = True
    health: float = 96.0
    uneven: float = 1.0
    off_curve: float = 0.0


@guarded
class VirtualSettings:
    """The world's choices; powers in W, temperatures in °C, shares of 1.

    A `resistor` load draws `Socket.power_w` at the pack's middling voltage, a `power` load always.
    What a plug's meter counts reaches the pack through `charger_share`, and leaves the pack
    through `load_share`. `load_cutoff_v` is the load's own low-voltage cut-off in V a cell; None:
    half-way between the pack's floor and its harm. `charger_full_v` is what chargers are set to in
    V a cell, whatever hangs on them; None: the pack's own top, or its ceiling. `idle` and `moving`:
    how often a pack speaks while nothing flows, and while something does. `plug_idle`: how often a
    plug that is off reports; many ship with 300 s; `plug_moving`: one that is on.
    """

    start: Moment = 0
    packs: Mapping[str, VirtualPack] = field(default_factory=dict)
    uses: tuple[Use, ...] = ()
    crew: bool = False
    load: Literal["power", "resistor"] = "power"
    load_share: float = 1.0
    charger_share: float = 0.88
    load_cutoff_v: float | None = None
    charger_full_v: float | None = None
    room_c: float = 20.0
    room_swing_c: float = 3.0
    idle: Duration = 60 * SECOND
    plug_idle: Duration = 5 * MINUTE
    moving: Duration = 10 * SECOND
    plug_moving: Duration = 10 * SECOND
    room_each: Duration = 5 * MINUTE
    command_latency: tuple[Duration, Duration] = (50, 300)
    faults: Mapping[str, tuple[Fault, ...]] = field(default_factory=dict)

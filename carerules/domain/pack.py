"""The things of a site: packs, stations, plugs and uses, and the limits that hold for a pack.

Knows what a person wrote in the site file. Does not know what is measured.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from enum import Enum
from hashlib import sha256
from typing import Literal

from carerules.domain.frozen import guarded
from carerules.domain.moment import MINUTE, Duration, LocalTime, Moment

FULL_PERCENT = 95.0
"""From this charge on a pack counts as full: lying so it ages fastest (common practice, no
source)."""


@guarded
class Limits:
    """What no rule can loosen: from the chemistry file, tightened by the site file.

    Voltages in V a cell, temperatures in °C. A drain stops at `cell_v_floor`; a pack seen below
    `cell_v_harm` is quarantined until a person has looked at it.
    """

    cell_v_floor: float
    cell_v_ceiling: float
    cell_v_harm: float
    drain_c_min: float
    drain_c_max: float
    charge_c_min: float
    charge_c_max: float
    soc_floor: float = 5.0
    rest_before_charge: Duration = 20 * MINUTE

    def tightened(self, by: Limits) -> Limits:
        """The stricter of each limit."""
        return Limits(
            cell_v_floor=max(self.cell_v_floor, by.cell_v_floor),
            cell_v_ceiling=min(self.cell_v_ceiling, by.cell_v_ceiling),
            cell_v_harm=max(self.cell_v_harm, by.cell_v_harm),
            drain_c_min=max(self.drain_c_min, by.drain_c_min),
            drain_c_max=min(self.drain_c_max, by.drain_c_max),
            charge_c_min=max(self.charge_c_min, by.charge_c_min),
            charge_c_max=min(self.charge_c_max, by.charge_c_max),
            soc_floor=max(self.soc_floor, by.soc_floor),
            rest_before_charge=max(self.rest_before_charge, by.rest_before_charge),
        )


@guarded
class Pack:
    """What holds the charge: `cells` in series, `capacity_ah` when new.

    `discharges_after`: a circuit of its own takes it down to about 65 % when it has lain so long.
    `device_w`: it is built into a device that draws so many watts while it is left on.
    """

    name: str
    chemistry: str
    cells: int
    capacity_ah: float
    limits: Limits
    tags: frozenset[str] = frozenset()
    role: str = ""
    made: Moment | None = None
    discharges_after: Duration | None = None
    device_w: float | None = None


class Side(Enum):
    """The two ways a station moves energy; never both at once."""

    LOAD = "load"
    CHARGER = "charger"

    @property
    def verb(self) -> Literal["drain", "charge"]:
        """What it does to the pack, in a word of the language."""
        return "drain" if self is Side.LOAD else "charge"


SIDES = tuple(Side)
"""To go through at each step: going through the enum itself costs ten times as much."""


@guarded
class Plug:
    """A switch that we command.

    `lease_s` is how long it stays on by its own timer after each word from us; None: it has no
    timer, and is then commanded only while a person is there. `metered`: it reports power, without
    which an OFF cannot be proved. `timer_shown`: its reports say what is left of the timer, so that
    an ON whose timer is not armed is found. `off_w` is the power below which nothing flows.
    `needs_proof`: without a timed test of it, it is switched on only while a person is there.
    `plugin` and `plugin_version`: code of others that reaches it; empty: none does.
    """

    name: str
    profile: str
    variables: Mapping[str, str] = field(default_factory=dict)
    lease_s: int | None = 90
    metered: bool = True
    timer_shown: bool = True
    off_w: float = 1.0
    unguarded: bool = False
    needs_proof: bool = False
    plugin: str = ""
    plugin_version: str = ""

    @property
    def key(self) -> str:
        """Fingerprint of all that a proof of it depends on: another profile, address, lease or
        version of a plug-in is another plug."""
        code = (self.plugin, self.plugin_version) if self.plugin else ()
        meaning = (self.name, self.profile, sorted(self.variables.items()), self.lease_s,
                   self.metered, self.off_w, *code)  # fmt: skip
        return sha256(repr(meaning).encode()).hexdigest()[:16]


@guarded
class Socket:
    """What hangs on a plug at a station: a discharge load, or a charger, and its usual power."""

    plug: str
    power_w: float


@guarded
class Station:
    """The place where a pack hangs on a load or a charger.

    `blind`: a drain may run here on metered energy alone, without the pack's own voltage, within
    the stricter bounds of the interlock.
    """

    name: str
    load: Socket | None = None
    charger: Socket | None = None
    blind: bool = False

    def socket(self, side: Side) -> Socket | None:
        """The load or the charger, if there is one."""
        return self.load if side is Side.LOAD else self.charger


@guarded
class Use:
    """A planned use: these packs are wanted full at `start`.

    `calendar` names the one that it was read from; empty: a person or the site file planned it.
    """

    name: str
    start: Moment
    packs: frozenset[str]
    calendar: str = ""


@guarded
class Site:
    """Everything that the site file says of the things, parsed once.

    `needs_notice`: nothing goes on unattended unless a notice has reached people lately.
    """

    name: str
    local: LocalTime
    packs: Mapping[str, Pack]
    stations: Mapping[str, Station]
    plugs: Mapping[str, Plug]
    virtual: bool = False
    needs_notice: bool = False

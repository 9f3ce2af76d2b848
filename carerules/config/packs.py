"""A pack of a site file that held, from its table.

Knows limits, tags and dates. Does not check again.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, time

from carerules.battery import Chemistry
from carerules.config.check import LIMITS
from carerules.config.known import Known
from carerules.config.things import LimitsTable, PackTable
from carerules.domain.moment import LocalTime
from carerules.domain.pack import Limits, Pack
from carerules.domain.quantity import DURATION


def had(known: Known, pack: PackTable) -> Chemistry:
    """Its chemistry, which was found when the file was checked."""
    chemistry = known.chemistries[pack.chemistry]
    assert isinstance(chemistry, Chemistry)
    return chemistry


def pack_of(name: str, pack: PackTable, chemistry: Chemistry, local: LocalTime) -> Pack:
    """The pack, its limits never looser than its chemistry's."""
    return Pack(
        name=name,
        chemistry=chemistry.name,
        cells=pack.cells,
        capacity_ah=pack.capacity,
        limits=chemistry.limits.tightened(_limits(pack.limits, chemistry.limits)),
        tags=frozenset(pack.tags) | _own_tags(pack),
        role=pack.role or "",
        made=None if pack.made is None else local.moment(datetime.combine(pack.made, time())),
        discharges_after=None if pack.discharges_after is None else round(pack.discharges_after),
        device_w=pack.device_power,
    )


def _own_tags(pack: PackTable) -> frozenset[str]:
    """Words by which rules pick packs, that follow from what else is said of it."""
    marks = {
        "self-discharging": pack.discharges_after is not None,
        "built-in": pack.device_power is not None,
    }
    return frozenset(tag for tag, has_it in marks.items() if has_it)


def _limits(own: LimitsTable, chemistry: Limits) -> Limits:
    # `tightened` would keep the chemistry's where the site's were looser, whatever stood here.
    given = {key: getattr(own, key) for key in LIMITS if getattr(own, key) is not None}
    return replace(
        chemistry,
        **{
            LIMITS[key][0]: round(value) if LIMITS[key][1] == DURATION else value
            for key, value in given.items()
        },
    )

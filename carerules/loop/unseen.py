"""A pack whose voltage nobody sees: what its charge says of its cells, at the pessimistic end.

Knows rest curves, and what a load pulls a cell down by. Does not know what is made of it: the
interlock has its own bounds for a drain on metered energy alone, the author's `never` another.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import hypot, sqrt

from carerules.battery import (
    FROM_PACK,
    HIDDEN_POINTS,
    SAG,
    at_warmth,
    kept_mohm,
    read_curve,
    volts_at_charge,
    warmth,
)
from carerules.domain.event import A_PERSON
from carerules.domain.moment import Moment
from carerules.domain.pack import Station
from carerules.domain.plan import Forbidden
from carerules.domain.quantity import Known, Reading
from carerules.engine import Unseen
from carerules.loop.world import World, chemistry_of
from carerules.safety import BLIND_FLOOR_SOC, BLIND_POINTS_MAX, DATA_AGE_MAX

BY_CHARGE = "its charge"
"""Who says a voltage that is worked out of the charge."""
NEVER_READ: Moment = 0  # before every moment of a pack's life


def is_seen(world: World, name: str) -> bool:
    """Whether the lowest cell's voltage is known, and at most a minute old."""
    lowest = world.packs[name].estimate.readings.get("pack.cell.min")
    return isinstance(lowest, Known) and world.now - lowest.at <= DATA_AGE_MAX


def unseen(world: World, name: str, station: Station) -> Unseen | None:
    """The bounds of a drain at a blind station; None: the pack itself tells its voltage there. What
    a person has typed in is one reading, and no watch."""
    readings = world.packs[name].estimate.readings
    # As the interlock: of a pack whose cells are told seldom they are not seen, though it is.
    if is_seen(world, name) and is_watched(readings):
        return None
    told = (readings.get("pack.voltage"), _teller(readings))
    read_at = max((one.at for one in told if isinstance(one, Known)), default=NEVER_READ)
    return Unseen(
        BLIND_POINTS_MAX,
        drawn(world, name),
        lambda: max(BLIND_FLOOR_SOC, floor_charge(world, name, station)),
        read_at,
    )


def drawn(world: World, name: str) -> float:
    """What may have left the pack since its voltage was told: points of its rated capacity, where a
    larger one was measured or typed in. No pack is drained deeper unseen for that."""
    return world.packs[name].estimate.track.drawn * _over_rated(world, name)


def charge_most(world: World, name: str) -> float:
    """The most (%) that can be in the pack: full, less what has left it since it was charged."""
    return 100.0 - world.packs[name].estimate.track.spent * _over_rated(world, name)


def _over_rated(world: World, name: str) -> float:
    capacity_ah = world.packs[name].estimate.track.capacity_ah
    return max(1.0, capacity_ah / world.setup.site.packs[name].capacity_ah)


def stand_ins(world: World, name: str, forbids: Forbidden) -> Mapping[str, Reading]:
    """What a `never` about a voltage is held against where nobody reads it and a load may be on all
    the same, at a blind station; nothing: against what is read, and so it forbids while that is
    unknown."""
    place = world.packs[name].station
    station = None if place is None else world.setup.site.stations[place]
    if forbids != "drain" or station is None or not station.blind or is_seen(world, name):
        return {}
    return volts_by_charge(world, name, station)


def is_watched(readings: Mapping[str, Reading]) -> bool:
    """Whether an instrument tells of the lowest cell, not a person."""
    teller = _teller(readings)
    return isinstance(teller, Known) and teller.source != A_PERSON


def _teller(readings: Mapping[str, Reading]) -> Reading | None:
    """What the lowest cell is known by: worked out of the pack's voltage it says no more than
    that does."""
    lowest = readings.get("pack.cell.min")
    shared = isinstance(lowest, Known) and lowest.source == FROM_PACK
    return readings.get("pack.voltage") if shared else lowest


def floor_charge(world: World, name: str, station: Station) -> float:
    """The charge (%) below which a cell may be under the pack's floor while the station's load is
    on, though nobody sees its voltage: off the rest curve at the floor and what the load pulls it
    down by, at the pessimistic end of resistance and curve. 100: at no charge is it above."""
    pack = world.setup.site.packs[name]
    if station.load is None:
        return 100.0
    chemistry, floor_v = chemistry_of(world, pack), pack.limits.cell_v_floor
    low_v = floor_v + station.load.power_w / pack.cells / floor_v * _ohm(world, name)
    if low_v <= chemistry.volts[0]:
        return 0.0
    read = read_curve(chemistry, low_v, 0.0)
    return 100.0 if read is None else min(100.0, read[0] + 2 * read[1])


def volts_by_charge(world: World, name: str, station: Station) -> dict[str, Reading]:
    """What stands for the voltage (V) of pack and lowest cell while the station's load is on: the
    rest curve at the charge, less what the load pulls down. The spread reaches, at twice, down to
    where charge, curve and a weaker cell that hides would put it together. Nothing: the charge is
    unknown.
    """
    soc, load = world.packs[name].soc, station.load
    if not isinstance(soc, Known) or load is None:
        return {}
    pack = world.setup.site.packs[name]
    apart = world.packs[name].estimate.readings.get("pack.cell.imbalance")
    hidden = apart.value if isinstance(apart, Known) else 0.0
    doubt = hypot(soc.spread_at(world.now), HIDDEN_POINTS, hidden)
    charge = min(100.0, max(0.0, soc.value_at(world.now)))
    rest_v, spread_v = volts_at_charge(chemistry_of(world, pack), charge, doubt)
    low_v = rest_v - 2 * spread_v
    # The current that carries so many watts at the voltage that it leaves; half of it is the least.
    drop_v2 = 4 * load.power_w / pack.cells * _ohm(world, name)
    loaded_v = (low_v + sqrt(max(0.0, low_v * low_v - drop_v2))) / 2
    cell_v = rest_v - (low_v - loaded_v)
    return {
        "pack.cell.min": Known(cell_v, spread_v, world.now, BY_CHARGE),
        "pack.voltage": Known(pack.cells * cell_v, pack.cells * spread_v, world.now, BY_CHARGE),
    }


def _ohm(world: World, name: str) -> float:
    """What a steady load pulls a cell down by, V for each A, at the pessimistic end: as cold as the
    pack is, or where nobody tells that its room."""
    pack, readings = world.setup.site.packs[name], world.packs[name].estimate.readings
    warm_c = warmth(readings, world.now)
    room = world.room.get("site.temperature")
    if warm_c is None and isinstance(room, Known):
        warm_c = room.value_at(world.now)
    mohm, spread = at_warmth(*kept_mohm(readings, pack, chemistry_of(world, pack)), warm_c)
    return SAG * (mohm + 2 * spread) / 1_000

"""Whether a pack that tells its voltage, and no current, is the one on the load: it must fall.

Knows rest curves, and what a load's plug has metered. Does not know why the pack is drained. The
voltage of a pack on a shelf, told as that of the one on the load, trembles in its last digit like
any other, and would have the other drained to nothing.
"""

from __future__ import annotations

from functools import lru_cache

from carerules.battery import curve_v, rest_voltage
from carerules.domain.pack import Station
from carerules.domain.quantity import Known
from carerules.loop.turn import Turn
from carerules.loop.unseen import is_watched
from carerules.loop.world import chemistry_of, pack_on
from carerules.safety import PlugState

FALLS_V = 0.04
"""A cell is judged when so much has left it that each stretch of its curve falls by this at least:
several times what meters of cells tremble by (judgement, no source)."""
FELL_SHARE = 0.25
"""Of that it must have fallen: for meters that read high, and curves that are another cell's
(judgement, no source)."""


def stands_still(turn: Turn, station: Station, plug: PlugState) -> str:
    """Why the pack on the load cannot be the one whose voltage is told; empty: it can, or nothing
    can be said of it. What is told first in an ON is taken down. `plug`: the load's."""
    name, place = pack_on(turn.world, station.name), turn.world.stations[station.name]
    readings = {} if name is None else turn.pack(name).estimate.readings
    lowest, amps = readings.get("pack.cell.min"), readings.get("pack.current")
    watched = isinstance(lowest, Known) and is_watched(readings)
    if name is None or plug.on_at is None or not (watched and isinstance(lowest, Known)):
        return ""
    if isinstance(amps, Known) and amps.at >= plug.on_at:
        return ""  # by that it is judged (safety/pack)
    first = place.first_told
    if first is None or first[0] != lowest.source:
        told = (lowest.source, lowest.value, plug.energy_wh)
        turn.set_station(station.name, first_told=told)
        return ""
    pack, chemistry = turn.rated(name), chemistry_of(turn.world, turn.rated(name))
    moved_wh, fell_v = plug.energy_wh - first[2], first[1] - lowest.value
    holds_wh = pack.cells * pack.capacity_ah * rest_voltage(chemistry, 0.5)
    points = falls_within(chemistry.fractions, chemistry.volts)
    if moved_wh < points / 100 * holds_wh or fell_v >= FELL_SHARE * FALLS_V:
        return ""
    fell, wanted = round(1_000 * fell_v), round(1_000 * FELL_SHARE * FALLS_V)
    return (
        f"{moved_wh:.0f} Wh have left {name}, and its lowest cell fell by {fell} mV, wanted at "
        f"least {wanted} mV: see that {name} hangs there, and what is told of it is its own"
    )


@lru_cache(maxsize=64)
def falls_within(fractions: tuple[float, ...], volts: tuple[float, ...]) -> float:
    """The points of charge within which a cell of this rest curve falls by `FALLS_V`, from wherever
    it begins; 100 where only the whole of it does."""
    curve = [curve_v((fractions, volts), step / 100) for step in range(101)]
    for points in range(1, 100):
        if min(curve[top] - curve[top - points] for top in range(points, 101)) >= FALLS_V:
            return float(points)
    return 100.0

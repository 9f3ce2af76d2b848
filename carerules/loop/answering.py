"""Whether a pack that tells its voltage, and of no work, is the one on the load: it must fall.

Knows rest curves, and what a load's plug has metered. Does not know why the pack is drained. The
voltage of a pack on a shelf, told as that of the one on the load, trembles in its last digit like
any other, and would have the other drained to nothing.
"""

from __future__ import annotations

from functools import lru_cache

from carerules.battery import curve_v, rest_voltage
from carerules.domain.moment import HOUR, Moment
from carerules.domain.pack import Pack, Station
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
HALF = 0.5
"""Of what a load usually draws: a meter that tells of less reads low, or its load does not work. At
half of it all but the flattest curves still fall by what is asked (judgement, no source)."""


def stands_still(turn: Turn, station: Station, plug: PlugState) -> str:
    """Why the pack on the load cannot be the one whose voltage is told; empty: it can, or nothing
    can be said of it. What is told first in an ON is taken down. `plug`: the load's."""
    name, place = pack_on(turn.world, station.name), turn.world.stations[station.name]
    readings = {} if name is None else turn.pack(name).estimate.readings
    lowest, amps = readings.get("pack.cell.min"), readings.get("pack.current")
    watched = isinstance(lowest, Known) and is_watched(readings)
    if name is None or plug.on_at is None or not (watched and isinstance(lowest, Known)):
        return ""
    pack, chemistry = turn.rated(name), chemistry_of(turn.world, turn.rated(name))
    if isinstance(amps, Known) and amps.at >= plug.on_at and _works(station, pack, amps, lowest):
        return ""  # by that it is judged (safety/pack)
    holds_wh = pack.cells * pack.capacity_ah * rest_voltage(chemistry, 0.5)
    needed_wh = falls_within(chemistry.fractions, chemistry.volts) / 100 * holds_wh
    first = place.first_cell
    moved_wh = 0.0 if first is None else _moved_wh(turn, station, plug, first)
    if first is None or (first[0] != lowest.source and moved_wh >= 2 * needed_wh):
        told = (lowest.source, lowest.value, plug.energy_wh, turn.world.now)
        turn.set_station(station.name, first_cell=told)
        return ""
    fell_v = first[1] - lowest.value
    # Where two tell of it in turn, the first one's words are held against each other.
    if first[0] != lowest.source or moved_wh < needed_wh or fell_v >= FELL_SHARE * FALLS_V:
        return ""
    idle = "" if moved_wh <= plug.energy_wh else ", and that the load and its plug's meter work"
    fell, wanted = round(1_000 * fell_v), round(1_000 * FELL_SHARE * FALLS_V)
    return (
        f"{moved_wh:.0f} Wh must have left {name}, and its lowest cell fell by {fell} mV, wanted "
        f"at least {wanted} mV: see that {name} hangs there, and what is told of it is its own"
        f"{idle}"
    )


def _works(station: Station, pack: Pack, amps: Known, lowest: Known) -> bool:
    """Whether the pack tells of a good part of what the load usually draws."""
    return -amps.value * lowest.value * pack.cells >= FELL_SHARE * _usual_w(station)


def _usual_w(station: Station) -> float:
    assert station.load is not None  # it is on
    return station.load.power_w


def _moved_wh(
    turn: Turn, station: Station, plug: PlugState, first: tuple[str, float, float, Moment]
) -> float:
    """What has left the pack since its lowest cell was first told (Wh): by the meter, or where that
    tells of less than `HALF` of it, what the load usually draws."""
    usual_wh = _usual_w(station) * (turn.world.now - first[3]) / HOUR
    metered_wh = plug.energy_wh - first[2]
    return usual_wh if metered_wh < HALF * usual_wh else metered_wh


@lru_cache(maxsize=64)
def falls_within(fractions: tuple[float, ...], volts: tuple[float, ...]) -> float:
    """The points of charge within which a cell of this rest curve falls by `FALLS_V`, from wherever
    it begins; 100 where only the whole of it does."""
    curve = [curve_v((fractions, volts), step / 100) for step in range(101)]
    for points in range(1, 100):
        if min(curve[top] - curve[top - points] for top in range(points, 101)) >= FALLS_V:
            return float(points)
    return 100.0

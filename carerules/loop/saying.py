"""The texts of rules as they are said: each hole filled from what is known of the pack.

Knows signals and where their readings stand. Does not know who is told.
"""

from __future__ import annotations

from carerules.domain.action import Text
from carerules.domain.quantity import Dimension, Known, no_finer, show
from carerules.loop.world import PackState, World, station_readings


def say(text: Text, world: World, name: str) -> str:
    """A text with its holes filled from what is known of the pack now."""
    state = world.packs[name]
    said: list[str] = []
    for part in text:
        if isinstance(part, str):
            said.append(part)
        elif part.dimension is None:
            said.append(name)
        else:
            said.append(_fill(part.signal, part.dimension, state, world))
    return "".join(said)


def _fill(signal: str, dimension: Dimension, state: PackState, world: World) -> str:
    readings = state.estimate.readings
    if signal.startswith("station."):
        readings = station_readings(world, state.station) if state.station else {}
    elif signal.startswith("site."):
        readings = world.room
    reading = readings.get(signal)
    if not isinstance(reading, Known):
        return "(unknown)"
    spread = reading.spread_at(world.now)
    return show(no_finer(reading.shown_at(world.now), spread), dimension)

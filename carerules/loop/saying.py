"""The texts of rules as they are said: each hole filled, and the bar told that no rule sees.

Knows signals and where their readings stand. Does not know who is told.
"""

from __future__ import annotations

from carerules.domain.action import Text
from carerules.domain.quantity import Dimension, Known, no_finer, show
from carerules.loop.world import OpenChore, PackState, World, station_readings


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


def say_chore(chore: OpenChore, world: World) -> str:
    """A chore as people read it. A rule may ask that a pack be charged for its capacity, and knows
    nothing of a bar; whoever reads it must."""
    state = world.packs.get(chore.pack)
    of_a_rule = chore.key.startswith(f"{chore.pack} ")
    if state is None or not state.barred or not of_a_rule:
        return chore.text
    return (f"{chore.text}; but {chore.pack} is barred: neither charge nor use it before "
            f"`carerules release {chore.pack}`")  # fmt: skip


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

"""The pure step that everything runs: an event comes, the world moves on, something is decided.

Knows the order in which the rooms are asked. Does not know clocks, sockets or files.
"""

from carerules.loop.asking import unread_key
from carerules.loop.chunks import by_name
from carerules.loop.differing import differences, locked_now, planned_soc, uses_within
from carerules.loop.dues import Dues
from carerules.loop.fitting import stranger, untimely
from carerules.loop.foresight import HORIZON, Obstacle, foresee, held, moves_energy, obstacle
from carerules.loop.intake import ASLEEP
from carerules.loop.keeping import coming, move_key, move_of, move_words, planned_mend, wish_words
from carerules.loop.knowledge import LATENESS
from carerules.loop.looking import facts_of
from carerules.loop.recall import answered, learn
from carerules.loop.saying import say_chore
from carerules.loop.step import next_due, step
from carerules.loop.unseen import stand_ins
from carerules.loop.view import figures_of, full_v, socket_power
from carerules.loop.world import (
    OpenChore,
    PackState,
    Setup,
    StationState,
    World,
    hanging,
    make_setup,
    new_world,
    pack_on,
    station_readings,
)

__all__ = [
    "ASLEEP",
    "HORIZON",
    "LATENESS",
    "Dues",
    "Obstacle",
    "OpenChore",
    "PackState",
    "Setup",
    "StationState",
    "World",
    "answered",
    "by_name",
    "coming",
    "differences",
    "facts_of",
    "figures_of",
    "foresee",
    "full_v",
    "hanging",
    "held",
    "learn",
    "locked_now",
    "make_setup",
    "move_key",
    "move_of",
    "move_words",
    "moves_energy",
    "new_world",
    "next_due",
    "obstacle",
    "pack_on",
    "planned_mend",
    "planned_soc",
    "say_chore",
    "socket_power",
    "stand_ins",
    "station_readings",
    "step",
    "stranger",
    "unread_key",
    "untimely",
    "uses_within",
    "wish_words",
]

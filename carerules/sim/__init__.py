"""Packs, plugs and a room that exist in numbers only, from a seed.

Knows the truth of its own world, which the core never sees.
"""

from carerules.sim.outside import VirtualOutside
from carerules.sim.pack import CellKind, PackNature, PackTruth, born, plain_nature
from carerules.sim.plug import MEANING, Fault, PlugTruth, Said
from carerules.sim.sensor import Noise
from carerules.sim.settings import VirtualPack, VirtualSettings
from carerules.sim.visits import Visits
from carerules.sim.world import VirtualSite

__all__ = [
    "MEANING",
    "CellKind",
    "Fault",
    "Noise",
    "PackNature",
    "PackTruth",
    "PlugTruth",
    "Said",
    "VirtualOutside",
    "VirtualPack",
    "VirtualSettings",
    "VirtualSite",
    "Visits",
    "born",
    "plain_nature",
]

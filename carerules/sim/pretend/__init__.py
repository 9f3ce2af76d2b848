"""A plug and a pack that pretend to be real, each a program of its own on a real MQTT broker.

Knows the generic protocol. Does not know the service: it meets them as it meets real ones.
"""

from carerules.sim.pretend.pack import Pretence, PretendPack, pretend_pack
from carerules.sim.pretend.plug import PretendPlug, pretend_plug
from carerules.sim.pretend.wire import Broker

__all__ = ["Broker", "Pretence", "PretendPack", "PretendPlug", "pretend_pack", "pretend_plug"]

"""The imperative shell: waits for events, journals them, steps the core, performs the outcome.

Knows its own rooms. Does not decide: what follows from an event, `loop.step` says.
"""

from carerules.service.desk import Desk
from carerules.service.memory import Gone, WorldStore, dump_world, gone_from, load_world, restore
from carerules.service.rules import SiteRules, read_rules
from carerules.service.run import Service, Teller, all_off, worth_keeping

__all__ = [
    "Desk",
    "Gone",
    "Service",
    "SiteRules",
    "Teller",
    "WorldStore",
    "all_off",
    "dump_world",
    "gone_from",
    "load_world",
    "read_rules",
    "restore",
    "worth_keeping",
]

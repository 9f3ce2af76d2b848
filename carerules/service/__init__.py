"""The imperative shell: waits for events, journals them, steps the core, performs the outcome.

Knows its own rooms. Does not decide: what follows from an event, `loop.step` says.
"""

from carerules.service.desk import Desk
from carerules.service.memory import WorldStore, dump_world, load_world, restore, unnamed
from carerules.service.rules import SiteRules, read_rules
from carerules.service.run import Service, Teller, all_off, worth_keeping

__all__ = [
    "Desk",
    "Service",
    "SiteRules",
    "Teller",
    "WorldStore",
    "all_off",
    "dump_world",
    "load_world",
    "read_rules",
    "restore",
    "unnamed",
    "worth_keeping",
]

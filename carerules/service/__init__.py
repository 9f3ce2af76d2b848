"""The imperative shell: waits for events, journals them, steps the core, performs the outcome."""

from carerules.service.memory import WorldStore, dump_world, load_world
from carerules.service.run import Service, Teller, all_off, quiet, worth_keeping

__all__ = [
    "Service",
    "Teller",
    "WorldStore",
    "all_off",
    "dump_world",
    "load_world",
    "quiet",
    "worth_keeping",
]

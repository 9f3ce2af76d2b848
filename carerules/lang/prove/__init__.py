"""Proofs over checked plans: what can never be, what can be together, what comes round again.

Knows plans and signals. Does not know text, states or time. `prove` is the front door.
"""

from carerules.lang.prove.box import Work
from carerules.lang.prove.cells import CellModel
from carerules.lang.prove.proofs import Proofs, prove
from carerules.lang.prove.told import PROOF_CODES
from carerules.lang.prove.verdict import (
    AlwaysTrue,
    Gap,
    IdleRearm,
    Interlocked,
    Meeting,
    Misfit,
    NeverTrue,
    OnlyAtFirst,
    PingPong,
    Rivals,
    Undecided,
)
from carerules.lang.prove.witness import State, Witness

__all__ = [
    "PROOF_CODES",
    "AlwaysTrue",
    "CellModel",
    "Gap",
    "IdleRearm",
    "Interlocked",
    "Meeting",
    "Misfit",
    "NeverTrue",
    "OnlyAtFirst",
    "PingPong",
    "Proofs",
    "Rivals",
    "State",
    "Undecided",
    "Witness",
    "Work",
    "prove",
]

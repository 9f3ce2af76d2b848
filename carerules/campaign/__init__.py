"""Nights under trouble: the real service on a virtual site, and an observer of the truth.

Knows how a night is drawn, played and judged. Does not reach into the service: what it does, it
does by its own doors. A night is drawn from its seed: packs, rules, people's acts, and up to three
troubles at random moments. The observer looks at contacts and cells as they are, never at what
anybody says of them, and takes down each breach of the safety contract. Outside the contract, and
so excused from what they break: a welded contact and a stranger who keeps sending ON (both must be
told, and lock the station), and a plug whose own timer does not open it.
"""

from carerules.campaign.bounds import BOUNDS
from carerules.campaign.journal import MemoryJournal, Spoil
from carerules.campaign.night import Night, Played, play
from carerules.campaign.observer import Observer
from carerules.campaign.series import Tally, each_moment, played
from carerules.campaign.troubles import TROUBLES

__all__ = [
    "BOUNDS",
    "TROUBLES",
    "MemoryJournal",
    "Night",
    "Observer",
    "Played",
    "Spoil",
    "Tally",
    "each_moment",
    "play",
    "played",
]

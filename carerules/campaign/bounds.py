"""What the observer holds the program to, and what it keeps of each closed contact.

Knows the figures of the safety contract, and what a model and its looks add to them. Does not know
the truth.
"""

from __future__ import annotations

from dataclasses import dataclass

from carerules.campaign.begun import Begun
from carerules.domain.moment import HOUR, MINUTE, SECOND, Duration, Moment

LOOK_EVERY: Duration = 10 * SECOND
"""While a contact is closed the truth is looked at this often; each bound allows for it."""
LOOK_SELDOM: Duration = 30 * SECOND
"""While no contact is closed nothing can go wrong, but one may close unheard."""
LOOK_AGAIN: Duration = 5 * SECOND
"""Sooner than this nothing new is seen of the same closed contacts."""
LEASE_ENDS: Duration = 95 * SECOND
"""SAFETY 1: off so soon after whatever stops service, host, broker or network."""
DATA_ENDS: Duration = 75 * SECOND
"""SAFETY 1: off so soon after its data became doubtful."""
ALARM_ENDS: Duration = 35 * SECOND
"""SAFETY 4: an urgent notice 30 s after OFF was wanted, and 5 s to look."""
PERSON_ENDS: Duration = 30 * SECOND
"""A charger is off so soon after whoever was with it said they would leave."""
ON_LONGEST: Duration = 4 * HOUR
"""SAFETY 9: no ON is longer, whatever was forecast."""
SURGE = 1.2
"""A load or charger may draw so much over its usual power before it is brought off."""
METER_ERROR = 1.02
HEAT_K = 2.0
"""A sensor's own error (2 sigma of 0.2 K) and its step, and what its pack warms in a look."""

COLD_K = 1.0
"""A sensor's own error and its step; a pack that is charged warms, and leaves the cold."""
USE_LEAST: Duration = MINUTE
"""What flows for less is no use that a pack has to rest from: a plug switched on by mistake and off
again, a charge that is carried over to another station."""
REST_SLACK: Duration = 20 * SECOND
"""Of two looks: when current last flowed is seen at a look, and so is a contact that closes."""
FLOWS_A = 0.02
"""Less is no charge: a charger that finds its pack full."""
UNSEEN_POINTS = 30.0
"""So deep, of what its label says, where nobody has read the pack's voltage since."""
SAG = 1.15
"""What a pack gives more than its rest voltage says, in ampere hours for a watt hour: at two to
three times its capacity in an hour it sags by an eighth."""
STANDS_STILL_SHARE = 0.05
"""Of a pack's energy: when so much has moved and its voltage stands still, that is seen."""
CELL_V_LEAST = 3.0
"""Under any load that is still on."""
CELL_V = 0.01
"""What a meter of cells may be off by, with its step."""

BOUNDS = {
    "floor": "no load is on for 95 s with a cell below its floor",
    "heat": "nothing is on for 95 s with a pack above its warmest",
    "cold": "no charger is on for 95 s with a pack below its coldest",
    "rest": "no charger goes on before the pack has rested from a minute of use",
    "ceiling": "nothing flows for 95 s into a pack with a cell above its ceiling",
    "unseen": "a load draws 30 points and what 95 s move, then somebody reads",
    "harm": "no charger is on for 95 s with a cell below what harms it",
    "lease": "nothing is on 95 s after the service last made a step",
    "data": "OFF leaves within 75 s of the pack's last believable word",
    "stop": "nothing is on 95 s after a person stopped everything",
    "locked": "nothing is on 95 s after its station was locked",
    "both": "a station's load and charger are never on at once",
    "caps": "one ON: at most 4 h, and its energy cap and what 95 s move",
    "energy": "one ON: 1.25 of what truly lies between, and what 95 s move",
    "window": "nothing is on for 95 s outside of its rule's window",
    "asked": "nothing is on whose rule asked first, and nobody said yes",
    "charger": "OFF leaves within 30 s of when somebody was last there",
    "told": "stepped 35 s after OFF was wanted: urgent notice, station locked",
    "stuck": "the service does not look at one moment again and again",
}
"""What the observer holds the program to, by the word that a breach begins with."""


@dataclass
class Run:
    """One closed stretch of a contact. `meter_share`: the least that its plug's meter has told of
    what flowed in it; what was not metered is on nobody's count."""

    since: Moment
    moved_wh: float = 0.0
    meter_share: float = 1.0
    cap_wh: float | None = None
    pack: str = ""
    begun: Begun | None = None
    most_wh: float | None = None
    through_wh: float = 0.0
    out_wh: float = 0.0
    outside_since: Moment | None = None
    low_since: Moment | None = None
    high_since: Moment | None = None
    harmed_since: Moment | None = None
    hot_since: Moment | None = None
    cold_since: Moment | None = None


@dataclass
class Worst:
    """The worst that was seen in a night, within bounds or not (s)."""

    below_floor_s: float = 0.0
    after_stop_s: float = 0.0
    closed_s: float = 0.0

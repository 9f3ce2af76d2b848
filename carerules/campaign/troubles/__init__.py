"""What can go wrong in a night: each trouble by its name, as a draw that makes an act of it.

Knows all their names. Does not know when one strikes, or what comes of it. A new trouble is a row
in one of the tables below, in the room of what it happens to.
"""

from __future__ import annotations

from collections.abc import Mapping

from carerules.campaign.troubles.kinds import Trouble
from carerules.campaign.troubles.machine import MACHINE
from carerules.campaign.troubles.people import PEOPLE
from carerules.campaign.troubles.plugs import PLUGS
from carerules.campaign.troubles.telemetry import TELEMETRY
from carerules.campaign.troubles.wires import WIRES

TROUBLES: Mapping[str, Trouble] = {**PLUGS, **WIRES, **TELEMETRY, **MACHINE, **PEOPLE}

__all__ = ["TROUBLES", "Trouble"]

"""What a trouble is to the others.

Knows the shape of a draw and of an act. Does not know any trouble.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import TypeAlias

from carerules.campaign.stage import Act, Stage

Trouble: TypeAlias = Callable[[Stage, Random], Act]
"""Draws its particulars before the night begins, and gives what happens when its moment comes."""

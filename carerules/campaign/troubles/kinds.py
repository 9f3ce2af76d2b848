"""What a trouble is to the others."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import TypeAlias

from carerules.campaign.stage import Act, Stage

Trouble: TypeAlias = Callable[[Stage, Random], Act]
"""Draws its particulars before the night begins, and gives what happens when its moment comes."""

"""What a way of showing a house over MQTT must be able to say. Two do: `discovery` and `homie`.

Knows topics and payloads as such. Does not know a broker. What the broker should remember is a
mapping of topic to payload; how to get there from what it remembers now is a list of messages, of
which an empty payload takes a topic away.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol, TypeAlias

from carerules.adapters import Script
from carerules.hub.model import House, Order

Kept: TypeAlias = Mapping[str, str]
"""What the broker remembers: payload by topic."""
Step: TypeAlias = tuple[str, str]
"""Topic and payload of one retained message; an empty payload takes it away."""

PRESS = "PRESS"


class Convention(Script, Protocol):
    """One convention, for one site: a script for a line, and what a house is in it."""

    def wanted(self, house: House, *, alive: bool) -> Kept:
        """What the broker should remember; `alive`: the service evaluates."""

    def happening(self, house: House, place: str, property: str, kind: str, text: str
                  ) -> Step | None:  # fmt: skip
        """What is said of a happening, and not remembered; None: no such device."""

    def order(self, house: House, topic: str, payload: str) -> Order | None:
        """What a message on a topic of orders asks for; None: it is no order of this convention."""

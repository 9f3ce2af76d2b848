"""What a way of showing a house over MQTT must be able to say. Two do: `discovery` and `homie`.

Knows topics and payloads as such. Does not know a broker. What the broker should remember is a
mapping of topic to payload; how to get there from what it remembers now is a list of messages, of
which an empty payload takes a topic away.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, Protocol, TypeAlias

from carerules.adapters.hubline import Script
from carerules.hub.model import Device, House, Order

Kept: TypeAlias = Mapping[str, str]
"""What the broker remembers: payload by topic."""
Step: TypeAlias = tuple[str, str]
"""Topic and payload of one retained message; an empty payload takes it away."""

PRESS = "PRESS"


def table(payload: str) -> dict[str, Any]:
    """A payload of JSON as a table; empty for anything else."""
    try:
        found = json.loads(payload)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


class Convention(Script, Protocol):
    """One convention, for one site: a script for a line, and what a house is in it."""

    def wanted(self, house: House, *, alive: bool) -> Kept:
        """What the broker should remember; `alive`: the service evaluates."""

    def shown(self, house: House, device: Device) -> Kept:
        """The part of it that is one device's; the root's depends on which devices there are."""

    def there(self, *, alive: bool) -> Kept:
        """The part of it that says whether we are there."""

    def happening(self, house: House, place: str, property: str, kind: str, text: str
                  ) -> Step | None:  # fmt: skip
        """What is said of a happening, and not remembered; None: no such device."""

    def order(self, house: House, topic: str, payload: str) -> Order | None:
        """What a message on a topic of orders asks for; None: it is no order of this convention."""


def wanted_of(convention: Convention, house: House, *, alive: bool) -> Kept:
    """What the broker should remember, made anew."""
    kept: dict[str, str] = {}
    for device in house.devices:
        kept.update(convention.shown(house, device))
    kept.update(convention.there(alive=alive))
    return kept


class Memo:
    """The same, with devices that have not changed since the last time taken from there.

    A device is told by being the same object: whoever makes a house keeps those that are as before.
    """

    def __init__(self, convention: Convention) -> None:
        self._convention = convention
        self._known: dict[str, tuple[Device, Kept]] = {}

    def wanted(self, house: House, *, alive: bool) -> Kept:
        """What the broker should remember."""
        before, self._known = self._known, {}
        kept: dict[str, str] = {}
        for device in house.devices:
            known = before.get(device.id)
            if known is None or known[0] is not device or device is house.root:
                known = device, self._convention.shown(house, device)
            self._known[device.id] = known
            kept.update(known[1])
        kept.update(self._convention.there(alive=alive))
        return kept

"""A house in the Homie convention, version 5: a device for the site, its children below it.

Knows that convention, written from its public document. Does not know worlds or a broker.
What is unknown has no value topic. Descriptions change only while a device says `init`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any
from zlib import crc32

from carerules.domain.frozen import guarded
from carerules.hub.convention import PRESS, Kept, Step, table, wanted_of
from carerules.hub.model import (
    PLACE_KINDS,
    Device,
    Group,
    House,
    Kind,
    Order,
    Property,
    root_id,
    short,
)

VERSION = "5.0"
DATATYPES: Mapping[Kind, str] = {
    Kind.NUMBER: "float",
    Kind.TEXT: "string",
    Kind.TRUTH: "boolean",
    Kind.CHOICE: "enum",
    Kind.MOMENT: "datetime",
    Kind.BUTTON: "enum",
    Kind.HAPPENING: "string",
}
NAMES = {Group.STATE: "State", Group.CONTROL: "Control", Group.RECORD: "Read off by hand"}
MOMENTARY = (Kind.BUTTON, Kind.HAPPENING)
STATE, DESCRIPTION = "$state", "$description"
SILENT = "service"
"""The `alert` of the site's device while the service does not evaluate."""


@guarded
class Homie:
    """The convention for one site: `key` tells it apart, `domain` is the first level of topics."""

    key: str
    domain: str

    @property
    def root(self) -> str:
        """The id of the site's own device."""
        return root_id(self.key)

    @property
    def _base(self) -> str:
        return f"{self.domain}/5"

    @property
    def will(self) -> Step:
        """One will for all: what the root is, its children are."""
        return f"{self._base}/{self.root}/{STATE}", "lost"

    @property
    def farewell(self) -> Step:
        """Leaving with a word."""
        return f"{self._base}/{self.root}/{STATE}", "disconnected"

    @property
    def orders(self) -> tuple[str, ...]:
        """Every property that anybody sets; ours are picked."""
        return (f"{self._base}/+/+/+/set",)

    @property
    def remembered(self) -> tuple[str, ...]:
        """Of all devices, of which ours are picked."""
        return (f"{self._base}/+/#",)

    @property
    def birth(self) -> Step | None:
        """Nothing: what the broker remembers is enough."""
        return None

    def concerns(self, topic: str) -> bool:
        """Of the root, or of a device whose id begins as its children's do."""
        device = self._device(topic)
        children = tuple(f"{self.root}-{kind}-" for kind in PLACE_KINDS)
        return device is not None and (device == self.root or device.startswith(children))

    def is_ours(self, topic: str, payload: str, kept: Kept) -> bool:
        """By the root that a device's description names; the root by its id."""
        del payload
        device = self._device(topic)
        if device is None or topic.endswith("/set"):
            return False
        if device == self.root:
            return True
        return table(kept.get(f"{self._base}/{device}/{DESCRIPTION}", "")).get("root") == self.root

    def _device(self, topic: str) -> str | None:
        if not topic.startswith(f"{self._base}/"):
            return None
        return topic.removeprefix(f"{self._base}/").partition("/")[0]

    # ---- what is remembered ------------------------------------------------------------------

    def wanted(self, house: House, *, alive: bool) -> Kept:
        """Descriptions, values, `alert` and states."""
        return wanted_of(self, house, alive=alive)

    def shown(self, house: House, device: Device) -> Kept:
        """One device: description, values, `alert` and state."""
        base = f"{self._base}/{device.id}"
        kept = {f"{base}/{DESCRIPTION}": _dumped(self.description(house, device))}
        for one in device.properties:
            value = None if one.kind in MOMENTARY else one.text()
            if value:
                kept[f"{base}/{one.group.value}/{one.id}"] = value
        for word, why in device.alarms.items():
            kept[f"{base}/$alert/{word}"] = short(why)
        kept[f"{base}/{STATE}"] = "ready"
        return kept

    def there(self, *, alive: bool) -> Kept:
        """That the root is there its state says; an `alert`, that nobody evaluates."""
        alert = f"{self._base}/{self.root}/$alert/{SILENT}"
        return {} if alive else {alert: "the service does not evaluate"}

    def description(self, house: House, device: Device) -> dict[str, Any]:
        """One device with its nodes and their properties."""
        nodes: dict[str, Any] = {}
        for one in device.properties:
            node = nodes.setdefault(one.group.value, {"name": NAMES[one.group], "properties": {}})
            node["properties"][one.id] = _property(one)
        said: dict[str, Any] = {
            "homie": VERSION, "name": device.name, "type": device.what, "nodes": nodes,
        }  # fmt: skip
        if device is house.root:
            said["children"] = [child.id for child in house.devices[1:]]
        else:
            said |= {"root": house.root.id, "parent": house.root.id}
        # A number that is another whenever anything else in it is.
        return {**said, "version": crc32(_dumped(said).encode())}

    # ---- from what is remembered to what should be -------------------------------------------

    def steps(self, kept: Kept, wanted: Kept) -> Sequence[Step]:
        """`init` around each change of a description; the root names a new child after that is
        there, and no longer names one that then goes."""
        changed = self._changed(kept, wanted)
        root_last = sorted(changed, key=lambda device: (device == self.root, device))
        before, after = _by_device(self, kept), _by_device(self, wanted)
        steps: list[Step] = [(f"{self._base}/{device}/{STATE}", "init") for device in root_last]
        for device in root_last:
            topic = f"{self._base}/{device}/{DESCRIPTION}"
            steps.append((topic, wanted[topic]))
        for device, topics in after.items():
            steps += _values(before.get(device, {}), topics)
        for device in [*sorted(before.keys() - after.keys())]:
            steps += _taken_away(before[device])
        states = {f"{self._base}/{device}/{STATE}": device for device in after}
        for topic, device in sorted(states.items(), key=lambda pair: pair[1] == self.root):
            if device in changed or kept.get(topic) != wanted[topic]:
                steps.append((topic, wanted[topic]))
        return steps

    def _changed(self, kept: Kept, wanted: Kept) -> frozenset[str]:
        return frozenset(
            device
            for topic, payload in wanted.items()
            if topic.endswith(f"/{DESCRIPTION}") and kept.get(topic) != payload
            if (device := self._device(topic)) is not None
        )

    # ---- happenings and orders ---------------------------------------------------------------

    def happening(self, house: House, place: str, property: str, kind: str, text: str
                  ) -> Step | None:  # fmt: skip
        """A value that is not remembered."""
        for device in house.devices:
            if device.place == place:
                return f"{self._base}/{device.id}/{Group.STATE.value}/{property}", f"{kind}: {text}"
        return None

    def order(self, house: House, topic: str, payload: str) -> Order | None:
        """An order by its topic."""
        parts = topic.removeprefix(f"{self._base}/").split("/")
        if len(parts) != 4 or parts[3] != "set":
            return None
        for device in house.devices:
            if device.id == parts[0]:
                for one in device.properties:
                    if one.settable and (one.group.value, one.id) == (parts[1], parts[2]):
                        return Order(device.place, f"{parts[1]}/{parts[2]}", payload)
        return None


def _property(one: Property) -> dict[str, Any]:
    said: dict[str, Any] = {"name": one.name, "datatype": DATATYPES[one.kind]}
    if one.kind is Kind.CHOICE:
        said["format"] = ",".join(one.options)
    if one.kind is Kind.BUTTON:
        said["format"] = PRESS
    if one.kind is Kind.NUMBER and one.low is not None and one.high is not None:
        said["format"] = f"{one.low:g}:{one.high:g}"
    if one.unit:
        said["unit"] = one.unit
    if one.settable:
        said["settable"] = True
    # A text that is only ever sent has no state either.
    if one.kind in MOMENTARY or (one.kind is Kind.TEXT and one.settable):
        said["retained"] = False
    return said


def _by_device(convention: Homie, kept: Kept) -> dict[str, dict[str, str]]:
    found: dict[str, dict[str, str]] = {}
    for topic, payload in kept.items():
        device = convention._device(topic)
        if device is not None:
            found.setdefault(device, {})[topic] = payload
    return found


def _values(before: Kept, after: Kept) -> Iterable[Step]:
    """Everything but descriptions and states that is new, or gone."""
    for topic, payload in after.items():
        if not topic.endswith((f"/{DESCRIPTION}", f"/{STATE}")) and before.get(topic) != payload:
            yield topic, payload
    for topic in before:
        if topic not in after:
            yield topic, ""


def _taken_away(topics: Kept) -> Iterable[Step]:
    """A device is gone with its state. Its description goes last: by it the rest is known for ours,
    should we end in the middle of this."""
    order = {STATE: 0, DESCRIPTION: 2}
    return [(topic, "") for topic in sorted(topics, key=lambda t: order.get(t.split("/")[3], 1))]


def _dumped(said: Mapping[str, Any]) -> str:
    return json.dumps(said, ensure_ascii=False, separators=(",", ":"))

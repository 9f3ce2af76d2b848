"""A house in the convention of device discovery: one retained description for each device.

Knows that convention, written from the public documentation of MQTT discovery (its sections on
device discovery, availability, and the kinds of entity). Does not know worlds or a broker.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from carerules.domain.frozen import guarded
from carerules.hub.convention import PRESS, Kept, Step, table, wanted_of
from carerules.hub.model import BASE, About, Device, Group, House, Kind, Order, Property, root_id

UP, DOWN = "online", "offline"
UNKNOWN = "None"
"""What a hub takes for "unknown"."""

PLATFORMS: Mapping[tuple[Kind, bool], str] = {
    (Kind.NUMBER, False): "sensor",
    (Kind.TEXT, False): "sensor",
    (Kind.MOMENT, False): "sensor",
    (Kind.CHOICE, False): "sensor",
    (Kind.TRUTH, False): "binary_sensor",
    (Kind.HAPPENING, False): "event",
    (Kind.NUMBER, True): "number",
    (Kind.TEXT, True): "text",
    (Kind.CHOICE, True): "select",
    (Kind.BUTTON, True): "button",
}
"""Which kind of entity shows which kind of property, settable or not."""

CLASSES: Mapping[About, str] = {
    About.CHARGE: "battery",
    About.VOLTAGE: "voltage",
    About.TEMPERATURE: "temperature",
    About.POWER: "power",
    About.DURATION: "duration",
    About.TROUBLE: "problem",
}


@guarded
class Discovery:
    """The convention for one site: `key` tells it apart, `prefix` is where the hub looks."""

    key: str
    prefix: str
    version: str

    @property
    def base(self) -> str:
        """Under it lies everything of this site but the descriptions."""
        return f"{BASE}/{self.key}"

    @property
    def _link(self) -> str:
        return f"{self.base}/link"

    @property
    def _service(self) -> str:
        return f"{self.base}/service"

    @property
    def will(self) -> Step:
        """The connection's own topic of availability goes down."""
        return self._link, DOWN

    farewell = will

    @property
    def orders(self) -> tuple[str, ...]:
        """One filter for each order of each device."""
        return (f"{self.base}/+/+/set",)

    @property
    def remembered(self) -> tuple[str, ...]:
        """The descriptions of everybody, of which ours are picked; and our own values."""
        return f"{self.prefix}/device/+/config", f"{self.base}/#"

    @property
    def birth(self) -> Step | None:
        """What the hub says when it has started."""
        return f"{self.prefix}/status", UP

    def concerns(self, topic: str) -> bool:
        """Under our base, or a description of a device whose id is one of ours."""
        own = f"{self.prefix}/device/{root_id(self.key)}"
        return topic.startswith((f"{self.base}/", f"{own}/", f"{own}-"))

    def is_ours(self, topic: str, payload: str, kept: Kept) -> bool:
        """Our values by their topic, our descriptions by the base that they name."""
        del kept
        if topic.startswith(f"{self.base}/"):
            return not topic.endswith("/set")
        said = table(payload)
        return topic.startswith(f"{self.prefix}/device/") and said.get("~") == self.base

    # ---- what is remembered ------------------------------------------------------------------

    def wanted(self, house: House, *, alive: bool) -> Kept:
        """Descriptions, values and availability."""
        return wanted_of(self, house, alive=alive)

    def there(self, *, alive: bool) -> Kept:
        """The two topics of availability; the connection's own comes last."""
        return {self._service: UP if alive else DOWN, self._link: UP}

    def shown(self, house: House, device: Device) -> Kept:
        """One device: its values, and then the description that points at them."""
        kept = {
            f"{self.base}/{device.place}/{_leaf(one)}": _value(one)
            for one in device.properties
            if one.kind not in (Kind.BUTTON, Kind.HAPPENING) and not _is_blank(one)
        }
        kept[self._config(device.id)] = json.dumps(
            self.description(house, device), ensure_ascii=False, separators=(",", ":")
        )
        return kept

    def _config(self, device: str) -> str:
        return f"{self.prefix}/device/{device}/config"

    def description(self, house: House, device: Device) -> dict[str, Any]:
        """One device with all its entities."""
        about: dict[str, Any] = {
            "ids": device.id, "name": device.name, "mdl": device.what, "mf": "carerules",
            "sw": self.version,
        }  # fmt: skip
        if device is not house.root:
            about["via_device"] = house.root.id
        return {
            "~": self.base,
            "dev": about,
            "o": {"name": "carerules", "sw": self.version},
            "avty": [{"t": self._link}, {"t": self._service}],
            "avty_mode": "all",
            "qos": 0,
            "cmps": {
                f"{device.id}-{_leaf(one)}": self.component(device, one)
                for one in device.properties
            },
        }

    def component(self, device: Device, one: Property) -> dict[str, Any]:
        """One entity."""
        platform = PLATFORMS[one.kind, one.settable]
        topic = f"~/{device.place}/{_leaf(one)}"
        found: dict[str, Any] = {
            "p": platform, "unique_id": f"{device.id}-{_leaf(one)}", "name": one.name,
        }  # fmt: skip
        if one.kind is not Kind.BUTTON and not _is_blank(one):
            found["stat_t"] = topic
        if one.settable:
            found["cmd_t"] = f"{topic}/set"
            found["ret"] = False
        if one.about in CLASSES and platform != "button":
            found["dev_cla"] = CLASSES[one.about]
        if one.unit:
            found["unit_of_meas"] = one.unit
        found |= _particulars(one, platform)
        return found

    # ---- from what is remembered to what should be -------------------------------------------

    def steps(self, kept: Kept, wanted: Kept) -> Sequence[Step]:
        """Values before the description that points at them; whether we are there comes last."""
        new = [(topic, wanted[topic]) for topic in wanted if kept.get(topic) != wanted[topic]]
        gone = [topic for topic in kept if topic not in wanted]
        steps: list[Step] = []
        for topic in (one for one in gone if self._is_config(one)):
            steps.append((topic, ""))
        for topic, payload in new:
            if self._is_config(topic) and topic in kept:
                without = _removing(kept[topic], payload)
                if without is not None:
                    steps.append((topic, without))
        steps += new
        return [*steps, *((topic, "") for topic in gone if not self._is_config(topic))]

    def _is_config(self, topic: str) -> bool:
        return topic.startswith(f"{self.prefix}/device/")

    # ---- happenings and orders ---------------------------------------------------------------

    def happening(self, house: House, place: str, property: str, kind: str, text: str
                  ) -> Step | None:  # fmt: skip
        """A message that is not remembered, with its kind and its words."""
        if not any(device.place == place for device in house.devices):
            return None
        payload = json.dumps({"event_type": kind, "text": text}, ensure_ascii=False)
        return f"{self.base}/{place}/{property}", payload

    def order(self, house: House, topic: str, payload: str) -> Order | None:
        """An order by its topic."""
        parts = topic.removeprefix(f"{self.base}/").split("/")
        if len(parts) != 3 or parts[2] != "set" or not topic.startswith(f"{self.base}/"):
            return None
        # The place first: a flood of messages must not cost each property of each device.
        for device in house.devices:
            if device.place == parts[0]:
                for one in device.properties:
                    if one.settable and _leaf(one) == parts[1]:
                        return Order(device.place, f"{one.group.value}/{one.id}", payload)
        return None


def _leaf(one: Property) -> str:
    """A property's own level of the topic: what is read off stands apart from what is so."""
    return f"record-{one.id}" if one.group is Group.RECORD else one.id


def _is_blank(one: Property) -> bool:
    """A text that is only ever sent: there is nothing to show of it."""
    return one.kind is Kind.TEXT and one.settable


def _value(one: Property) -> str:
    if one.kind is Kind.TRUTH and one.value is not None:
        return "ON" if one.value else "OFF"
    text = one.text()
    return UNKNOWN if text is None else text


def _particulars(one: Property, platform: str) -> dict[str, Any]:
    """What only this kind of entity has."""
    match platform:
        case "sensor" if one.kind is Kind.NUMBER:
            return {"stat_cla": "measurement", "sug_dsp_prc": one.digits}
        case "sensor" if one.kind is Kind.MOMENT:
            return {"dev_cla": "timestamp"}
        case "sensor" if one.kind is Kind.CHOICE:
            return {"dev_cla": "enum", "ops": list(one.options)}
        case "select":
            return {"ops": list(one.options)}
        case "event":
            return {"evt_typ": list(one.options)}
        case "number":
            return {"min": one.low, "max": one.high, "step": one.step, "mode": "box",
                    "ent_cat": "config"}  # fmt: skip
        case "text":
            return {"max": 200, "ent_cat": "config"}
        case "button":
            extra = {"ent_cat": "config"} if one.group is Group.RECORD else {}
            return {"pl_prs": PRESS, **extra}
        case _:
            return {}


def _removing(before: str, after: str) -> str | None:
    """The description after, with each entity that goes named by its kind alone; None: none goes.

    Without that a hub would keep the entity for ever.
    """
    old, new = table(before).get("cmps"), table(after)
    if not isinstance(old, dict):
        return None
    gone = {
        name: {"p": one["p"]}
        for name, one in old.items()
        if name not in new["cmps"] and isinstance(one, dict) and isinstance(one.get("p"), str)
    }
    if not gone:
        return None
    new["cmps"] |= gone
    return json.dumps(new, ensure_ascii=False, separators=(",", ":"))

"""What the convention of device discovery asks of topics and payloads; faults come back as words.

Written from the public documentation "MQTT" of Home Assistant (sections "Discovery topic", "Device
discovery payload", "Using availability topics") and its pages "MQTT Sensor", "MQTT Binary sensor",
"MQTT Button", "MQTT Number", "MQTT Select", "MQTT Text", "MQTT Event"; what stands here about
device classes and their units is from memory of its pages "Sensor" and "Binary sensor". It shares
no code with what it judges.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

SHORT = {
    "dev": "device", "o": "origin", "cmps": "components", "p": "platform", "avty": "availability",
    "avty_mode": "availability_mode", "avty_t": "availability_topic", "t": "topic",
    "pl_avail": "payload_available", "pl_not_avail": "payload_not_available",
    "stat_t": "state_topic", "cmd_t": "command_topic", "uniq_id": "unique_id",
    "dev_cla": "device_class", "stat_cla": "state_class", "unit_of_meas": "unit_of_measurement",
    "sug_dsp_prc": "suggested_display_precision", "ops": "options", "evt_typ": "event_types",
    "pl_prs": "payload_press", "ent_cat": "entity_category", "ret": "retain", "e": "encoding",
    "exp_aft": "expire_after", "obj_id": "object_id", "val_tpl": "value_template",
    "def_ent_id": "default_entity_id", "pl_on": "payload_on", "pl_off": "payload_off",
}  # fmt: skip
SHORT_DEVICE = {
    "ids": "identifiers", "cns": "connections", "mf": "manufacturer", "mdl": "model",
    "sw": "sw_version", "hw": "hw_version", "sa": "suggested_area", "cu": "configuration_url",
    "sn": "serial_number",
}  # fmt: skip
SHORT_ORIGIN = {"sw": "sw_version", "url": "support_url"}

ROOT = {"~", "device", "origin", "components", "availability", "availability_mode",
        "availability_topic", "qos", "encoding", "state_topic", "command_topic"}  # fmt: skip
DEVICE = {"name", "identifiers", "connections", "manufacturer", "model", "sw_version", "hw_version",
          "suggested_area", "configuration_url", "serial_number", "via_device"}  # fmt: skip
COMMON = {"platform", "unique_id", "name", "entity_category", "qos", "encoding", "availability",
          "availability_mode", "value_template", "default_entity_id", "icon"}  # fmt: skip
STATE, COMMAND = "state_topic", "command_topic"
NEEDED = {
    "sensor": {STATE}, "binary_sensor": {STATE}, "event": {STATE, "event_types"},
    "button": {COMMAND}, "number": {COMMAND}, "select": {COMMAND, "options"}, "text": {COMMAND},
}  # fmt: skip
KNOWN = {
    "sensor": {STATE, "device_class", "unit_of_measurement", "state_class", "options",
               "suggested_display_precision", "expire_after", "force_update"},
    "binary_sensor": {STATE, "device_class", "payload_on", "payload_off", "expire_after"},
    "event": {STATE, "device_class", "event_types"},
    "button": {COMMAND, "device_class", "payload_press", "retain"},
    "number": {STATE, COMMAND, "device_class", "unit_of_measurement", "min", "max", "step", "mode",
               "retain", "payload_reset", "optimistic"},
    "select": {STATE, COMMAND, "options", "retain", "optimistic"},
    "text": {STATE, COMMAND, "min", "max", "mode", "pattern", "retain"},
}  # fmt: skip
UNITS = {
    "battery": {"%"}, "voltage": {"V", "mV", "µV"}, "temperature": {"°C", "°F", "K"},
    "power": {"W", "kW", "mW"}, "duration": {"d", "h", "min", "s", "ms"}, "current": {"A", "mA"},
    "energy": {"Wh", "kWh"},
}  # fmt: skip
BINARY_CLASSES = {"problem", "battery", "battery_charging", "connectivity", "power", "smoke",
                  "running", "safety", "heat", "cold"}  # fmt: skip
NO_VALUE = "None"
TEXT_MAX = 255

Faults = Iterator[str]


def long_form(said: Mapping[str, Any], names: Mapping[str, str]) -> dict[str, Any]:
    return {names.get(key, key): value for key, value in said.items()}


def read_config(payload: str) -> dict[str, Any]:
    """The description with every name in full and every topic whole."""
    found = long_form(json.loads(payload), SHORT)
    base = found.get("~", "")

    def whole(said: dict[str, Any]) -> dict[str, Any]:
        return {
            key: re.sub(r"^~|~$", base, value)
            if isinstance(value, str) and key.endswith("topic")
            else value
            for key, value in said.items()
        }

    found["device"] = long_form(found.get("device", {}), SHORT_DEVICE)
    found["origin"] = long_form(found.get("origin", {}), SHORT_ORIGIN)
    found["availability"] = [whole(long_form(a, SHORT)) for a in found.get("availability", [])]
    found["components"] = {
        name: whole(long_form(one, SHORT)) for name, one in found.get("components", {}).items()
    }
    return whole(found)


def config_faults(topic: str, payload: str, prefix: str) -> Faults:
    """What the convention would object to in one description."""
    if not re.fullmatch(rf"{re.escape(prefix)}/device/[A-Za-z0-9_-]+/config", topic):
        yield f"topic {topic}"
    try:
        said = read_config(payload)
    except (ValueError, AttributeError):
        yield "no JSON table of tables"
        return
    yield from (f"unknown key {key}" for key in said.keys() - ROOT)
    device = said["device"]
    if not device.get("identifiers") and not device.get("connections"):
        yield "a device without identifiers or connections"
    yield from (f"unknown key of a device {key}" for key in device.keys() - DEVICE)
    if not said["origin"].get("name"):
        yield "an origin without a name"
    if not said["components"]:
        yield "no components"
    yield from availability_faults(said)
    ids = [one.get("unique_id") for one in said["components"].values()]
    if len(set(ids)) != len(ids):
        yield "two components of one unique_id"
    for name, one in said["components"].items():
        yield from (f"{name}: {fault}" for fault in component_faults(one))


def availability_faults(said: Mapping[str, Any]) -> Faults:
    if "availability_topic" in said and said["availability"]:
        yield "both availability and availability_topic"
    if len(said["availability"]) > 1 and said.get("availability_mode") not in (
        "all", "any", "latest",
    ):  # fmt: skip
        yield "several topics of availability without a mode"
    for one in said["availability"]:
        if not one.get("topic"):
            yield "availability without a topic"


def component_faults(one: Mapping[str, Any]) -> Faults:
    platform = one.get("platform")
    if platform not in NEEDED:
        yield f"platform {platform}"
        return
    if set(one) == {"platform"}:
        return  # it is taken away
    for key in {"unique_id"} | NEEDED[platform]:
        if not one.get(key):
            yield f"no {key}"
    yield from (f"unknown key {key}" for key in one.keys() - KNOWN[platform] - COMMON)
    if "object_id" in one:
        yield "object_id, which is retired"
    if one.get("retain"):
        yield "an order that the broker would remember"
    for key in (STATE, COMMAND):
        if re.search(r"[+#]|^/|/$|~", one.get(key, "")):
            yield f"{key} {one[key]}"
    category = one.get("entity_category")
    if category not in (None, "config", "diagnostic"):
        yield f"entity_category {category}"
    if category == "config" and platform in ("sensor", "binary_sensor", "event"):
        yield "a sensor of category config"
    yield from {"sensor": sensor_faults, "number": number_faults, "text": text_faults,
                "select": choice_faults, "event": event_faults, "binary_sensor": binary_faults,
                "button": lambda _: iter(())}[platform](one)  # fmt: skip


def sensor_faults(one: Mapping[str, Any]) -> Faults:
    kind, unit = one.get("device_class"), one.get("unit_of_measurement")
    if kind in ("timestamp", "enum", "date") and (unit or one.get("state_class")):
        yield f"{kind} with a unit or state class"
    if kind == "enum" and not one.get("options"):
        yield "enum without options"
    if kind in UNITS and unit not in UNITS[kind]:
        yield f"{kind} in {unit}"
    if kind not in (None, "timestamp", "enum", "date", *UNITS):
        yield f"device_class {kind}"
    if one.get("state_class") not in (None, "measurement", "total", "total_increasing"):
        yield f"state_class {one['state_class']}"
    if one.get("state_class") and not unit and one.get("suggested_display_precision") is None:
        yield "a state class for what is no number"


def number_faults(one: Mapping[str, Any]) -> Faults:
    low, high, step = one.get("min", 1), one.get("max", 100), one.get("step", 1)
    if not low < high:
        yield f"min {low}, max {high}"
    if step < 0.001:
        yield f"step {step}"
    if one.get("mode", "auto") not in ("auto", "box", "slider"):
        yield f"mode {one['mode']}"
    if one.get("device_class") in UNITS:
        yield from sensor_faults({k: one.get(k) for k in ("device_class", "unit_of_measurement")})


def text_faults(one: Mapping[str, Any]) -> Faults:
    if not 0 <= one.get("min", 0) <= one.get("max", TEXT_MAX) <= TEXT_MAX:
        yield "min and max of a text"


def choice_faults(one: Mapping[str, Any]) -> Faults:
    options = one.get("options", [])
    if len(set(options)) != len(options) or not all(isinstance(text, str) for text in options):
        yield f"options {options}"


def event_faults(one: Mapping[str, Any]) -> Faults:
    if not all(isinstance(text, str) and text for text in one.get("event_types", [])):
        yield "event_types"


def binary_faults(one: Mapping[str, Any]) -> Faults:
    if one.get("device_class") not in (None, *BINARY_CLASSES):
        yield f"device_class {one['device_class']}"


def state_faults(one: Mapping[str, Any], payload: str) -> Faults:
    """What the hub would object to in a value of this component."""
    platform, kind = one["platform"], one.get("device_class")
    if platform == "event":
        yield from happening_faults(one, payload)
        return
    if not payload:
        yield "an empty value"
    if payload == NO_VALUE:
        return
    if len(payload) > TEXT_MAX:
        yield f"{len(payload)} characters"
    if platform == "binary_sensor":
        if payload not in (one.get("payload_on", "ON"), one.get("payload_off", "OFF")):
            yield f"{payload} is neither on nor off"
    elif platform == "select" or kind == "enum":
        if payload not in one["options"]:
            yield f"{payload} is no option"
    elif kind == "timestamp":
        if datetime.fromisoformat(payload).tzinfo is None:
            yield f"{payload} has no zone"
    elif platform == "number" or "unit_of_measurement" in one or one.get("state_class"):
        if not re.fullmatch(r"-?\d+(\.\d+)?", payload):
            yield f"{payload} is no number"
        elif platform == "number" and not one["min"] <= float(payload) <= one["max"]:
            yield f"{payload} lies outside"


def happening_faults(one: Mapping[str, Any], payload: str) -> Faults:
    try:
        said = json.loads(payload)
    except ValueError:
        said = None
    if not isinstance(said, dict) or said.get("event_type") not in one["event_types"]:
        yield f"{payload} is no event of {one['event_types']}"

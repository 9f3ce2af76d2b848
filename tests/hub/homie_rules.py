"""What the Homie convention asks of topics, payloads and their order; faults come back as words.

Written from "The Homie Convention", version 5 (homieiot.github.io/specification): its sections on
topic ids, payloads, the last will, the device's description, its lifecycle and its removal. What
was not read again for this (formats of datatypes, `$alert`) is from memory of that document. It
shares no code with what it judges.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

ID = r"[a-z0-9](?:[a-z0-9-]*[a-z0-9])?"
STATES = ("init", "ready", "disconnected", "sleeping", "lost")
MAY_CHANGE = ("init", "disconnected", "lost", None)
DATATYPES = ("integer", "float", "boolean", "string", "enum", "color", "datetime", "duration",
             "json")  # fmt: skip
FLOAT = r"-?\d+(\.\d+)?([eE]-?\d+)?"
DEVICE = {"homie", "version", "name", "type", "nodes", "children", "root", "parent", "extensions"}
NODE = {"name", "type", "properties"}
PROPERTY = {"name", "datatype", "format", "settable", "retained", "unit"}

Faults = Iterator[str]


def device_of(topic: str, domain: str) -> tuple[str, str]:
    """The device's id, and what comes after it."""
    rest = topic.removeprefix(f"{domain}/5/")
    device, _, leaf = rest.partition("/")
    return device, leaf


def tree_faults(kept: Mapping[str, str], domain: str) -> Faults:
    """What is wrong with all that a broker remembers under the domain."""
    devices: dict[str, dict[str, str]] = {}
    for topic, payload in kept.items():
        if not topic.startswith(f"{domain}/5/"):
            yield f"{topic} lies outside"
            continue
        device, leaf = device_of(topic, domain)
        devices.setdefault(device, {})[leaf] = payload
    said = {name: read(leaves.get("$description", "")) for name, leaves in devices.items()}
    for name, leaves in devices.items():
        yield from (f"{name}: {fault}" for fault in device_faults(name, leaves, said))


def read(payload: str) -> dict[str, Any]:
    try:
        found = json.loads(payload)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def device_faults(
    name: str, leaves: Mapping[str, str], said: Mapping[str, dict[str, Any]]
) -> Faults:
    own = said[name]
    if not re.fullmatch(ID, name):
        yield "id"
    if leaves.get("$state") not in STATES:
        yield f"$state {leaves.get('$state')}"
    if not own:
        yield "no $description"
        return
    yield from (f"unknown key {key}" for key in own.keys() - DEVICE)
    if not re.fullmatch(r"5\.\d+", str(own.get("homie"))) or not isinstance(own.get("name"), str):
        yield "homie or name"
    if type(own.get("version")) is not int:
        yield "version"
    yield from family_faults(name, own, said)
    properties: dict[str, dict[str, Any]] = {}
    for node, about in own.get("nodes", {}).items():
        if not re.fullmatch(ID, node) or about.keys() - NODE:
            yield f"node {node}"
        for prop, row in about.get("properties", {}).items():
            properties[f"{node}/{prop}"] = row
            yield from (f"{node}/{prop}: {fault}" for fault in property_faults(prop, row))
    for leaf, payload in leaves.items():
        yield from leaf_faults(leaf, payload, properties)


def family_faults(
    name: str, own: Mapping[str, Any], said: Mapping[str, Mapping[str, Any]]
) -> Faults:
    for child in own.get("children", []):
        if said.get(child, {}).get("parent", said.get(child, {}).get("root")) != name:
            yield f"child {child} does not name it"
    root, parent = own.get("root"), own.get("parent")
    if root is not None and name not in said.get(parent or root, {}).get("children", []):
        yield f"its parent {parent or root} does not name it"
    if root is None and parent is not None:
        yield "a parent without a root"


def property_faults(name: str, row: Mapping[str, Any]) -> Faults:
    if not re.fullmatch(ID, name):
        yield "id"
    yield from (f"unknown key {key}" for key in row.keys() - PROPERTY)
    kind, form = row.get("datatype"), row.get("format")
    if kind not in DATATYPES:
        yield f"datatype {kind}"
    if kind == "enum":
        options = str(form or "").split(",")
        if not form or len(set(options)) != len(options) or "" in options:
            yield f"format {form} of an enum"
        if any(option != option.strip() for option in options):
            yield f"format {form} has blanks at an end"
    if (
        kind in ("float", "integer")
        and form
        and not re.fullmatch(rf"({FLOAT})?:({FLOAT})?(:{FLOAT})?", form)
    ):
        yield f"format {form} of a number"
    for key in ("settable", "retained"):
        if not isinstance(row.get(key, True), bool):
            yield key


def leaf_faults(leaf: str, payload: str, properties: Mapping[str, Mapping[str, Any]]) -> Faults:
    if leaf in ("$state", "$description"):
        return
    if re.fullmatch(rf"\$alert/{ID}", leaf):
        return
    row = properties.get(leaf)
    if row is None:
        yield f"{leaf} is in no description"
    elif not row.get("retained", True):
        yield f"{leaf} is momentary, and remembered"
    else:
        yield from (f"{leaf}: {fault}" for fault in value_faults(row, payload))


def value_faults(row: Mapping[str, Any], payload: str) -> Faults:
    """What is wrong with a value of this property."""
    kind, form = row["datatype"], row.get("format")
    if payload == "":
        yield "empty"
    elif kind == "float":
        if not re.fullmatch(FLOAT, payload):
            yield f"{payload} is no float"
        elif form:
            low, high = (float(end) for end in form.split(":")[:2])
            if not low <= float(payload) <= high:
                yield f"{payload} lies outside {form}"
    elif kind == "boolean" and payload not in ("true", "false"):
        yield f"{payload} is no boolean"
    elif kind == "enum" and payload not in str(form).split(","):
        yield f"{payload} is none of {form}"
    elif kind == "datetime":
        datetime.fromisoformat(payload)


def order_faults(messages: Sequence[tuple[str, str]], domain: str,
                 before: Mapping[str, str]) -> Faults:  # fmt: skip
    """What is wrong with the order of retained messages, given what was remembered before.

    A description changes only in `init`, `disconnected` or `lost`; `ready` comes after it; a device
    that goes takes its state away first; a parent names a child that is there.
    """
    kept = dict(before)
    for topic, payload in messages:
        device, leaf = device_of(topic, domain)
        base = f"{domain}/5/{device}"
        state = kept.get(f"{base}/$state")
        if leaf == "$description" and payload:
            if state not in MAY_CHANGE:
                yield f"{device}: described while it is {state}"
            for child in read(payload).get("children", []):
                if f"{domain}/5/{child}/$description" not in kept:
                    yield f"{device}: names {child}, which is not there"
        if leaf == "$state" and payload == "ready" and f"{base}/$description" not in kept:
            yield f"{device}: ready without a description"
        if not payload and leaf != "$state" and state is not None and leaf == "$description":
            yield f"{device}: its description goes before its state"
        if payload:
            kept[topic] = payload
        else:
            kept.pop(topic, None)

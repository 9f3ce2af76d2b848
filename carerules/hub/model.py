"""What a hub sees of a site: devices, each with properties; the same for every convention.

Knows names, units and kinds of values. Does not know worlds, topics or any convention.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import field
from datetime import datetime
from enum import Enum
from hashlib import sha256
from typing import TypeAlias

from carerules.domain.frozen import guarded

TEXT_CHARS_MAX = 250
"""A hub keeps a state of 255 characters at most (from memory of its public documentation)."""

ID_CHARS_MAX = 60

Held: TypeAlias = float | str | bool | datetime | None
"""A property's value; None: unknown, or nothing to show."""


class Kind(Enum):
    """What kind of value a property has, or what it takes."""

    NUMBER = "number"
    TEXT = "text"
    TRUTH = "truth"
    CHOICE = "choice"
    MOMENT = "moment"
    BUTTON = "button"
    HAPPENING = "happening"


class About(Enum):
    """What a value is about, where a hub has a picture or a word of its own for that."""

    CHARGE = "charge"
    VOLTAGE = "voltage"
    TEMPERATURE = "temperature"
    POWER = "power"
    DURATION = "duration"
    TROUBLE = "trouble"
    PLAIN = "plain"


class Group(Enum):
    """Where a property stands: what is so, what can be had done, what was read off by hand."""

    STATE = "state"
    CONTROL = "control"
    RECORD = "record"


@guarded
class Property:
    """One value of a device, or one thing that can be had done with it.

    `low`, `high` and `step` bound a number that is set, in `unit`; `options` are the values of a
    choice, or the kinds of a happening; `digits` are those behind the point that mean something.
    """

    id: str
    name: str
    kind: Kind
    group: Group = Group.STATE
    value: Held = None
    unit: str = ""
    about: About = About.PLAIN
    settable: bool = False
    options: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    step: float | None = None
    digits: int = 1

    def text(self) -> str | None:
        """The value as plain text; None: it is unknown."""
        match self.value:
            case None:
                return None
            case bool():
                return "true" if self.value else "false"
            case datetime():
                return self.value.isoformat(timespec="seconds")
            case str():
                return short(self.value)
            case number:
                rounded = round(number, self.digits)
                return f"{rounded + 0.0:.{self.digits}f}" if self.digits else f"{rounded:.0f}"


@guarded
class Device:
    """One device: a pack, a station or the site itself. `alarms` by a word for each, in words."""

    id: str
    place: str
    name: str
    what: str
    properties: tuple[Property, ...]
    alarms: Mapping[str, str] = field(default_factory=dict)


@guarded
class House:
    """All devices of a site, the site's own first; `key` tells the site apart at the broker."""

    key: str
    devices: tuple[Device, ...]

    @property
    def root(self) -> Device:
        """The site's own device."""
        return self.devices[0]


@guarded
class Order:
    """What a hub wants done: a device's place, a property, and what was said to it."""

    place: str
    property: str
    text: str


PLACE_KINDS = ("pack", "station")
"""What a device's place begins with; the site's own has the place `site`."""


BASE = "carerules/hub"
"""Under it lies what devices of any site show and take, by the first convention."""


def root_id(key: str) -> str:
    """The id of the site's own device; those of its packs and stations begin so."""
    return f"carerules-{key}"


def is_own(topic: str) -> bool:
    """Whether a topic is one of those that carerules keeps at a broker for a hub, of any site."""
    parts = topic.split("/")
    return parts[:2] == BASE.split("/") or any(part.startswith(root_id("")) for part in parts)


def short(text: str) -> str:
    """The text on one line, printable, no longer than a hub takes."""
    flat = "".join(sign if sign.isprintable() else " " for sign in text)
    return flat if len(flat) <= TEXT_CHARS_MAX else f"{flat[: TEXT_CHARS_MAX - 1]}…"


def slug(text: str) -> str:
    """Small letters, digits and hyphens: what both conventions allow in a topic."""
    signs = "".join(sign if sign in _PLAIN else "-" for sign in text.lower())
    parts = [part for part in signs.split("-") if part]
    return "-".join(parts)[:ID_CHARS_MAX].strip("-") or _hash(text)


_PLAIN = frozenset("abcdefghijklmnopqrstuvwxyz0123456789")


def slugs(names: Iterable[str]) -> Mapping[str, str]:
    """A slug for each name, no two alike: of two that would be, one is told apart by a number."""
    found: dict[str, str] = {}
    # A name that is its own slug keeps it, whatever else comes and goes.
    for name in sorted(names, key=lambda one: (slug(one) != one, one)):
        own = slug(name)
        found[name] = own if own not in found.values() else f"{own}-{_hash(name)}"
    return found


def _hash(text: str) -> str:
    return sha256(text.encode()).hexdigest()[:6]

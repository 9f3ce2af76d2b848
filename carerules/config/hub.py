"""The table of a site file about a hub: where it looks, and what it may have done.

Knows the keys. Does not know what a hub is shown, nor any convention's payloads.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Annotated

from pydantic import AfterValidator, Field, WithJsonSchema

from carerules.config.known import Known, Raw
from carerules.config.problem import Key, found
from carerules.config.things import Table
from carerules.config.values import Measure, refused
from carerules.domain.frozen import guarded
from carerules.domain.moment import MINUTE, SECOND, Duration
from carerules.domain.quantity import DURATION

KEY = r"^[a-z0-9](?:[a-z0-9-]{0,38}[a-z0-9])?$"
WHERE = ("prefix", "domain")
"""The keys that say where a convention shows the site; by them what lies there is found again."""
LEVELS = r"^[A-Za-z0-9_-]{1,40}(?:/[A-Za-z0-9_-]{1,40}){0,3}$"


def _key(value: str) -> str:
    if re.fullmatch(KEY, value) is None:
        wanted = "small letters, digits and `-` inside, at most 40"
        raise refused(found(value), wanted, "such as `boat-shed`")
    return value


def _levels(value: str) -> str:
    if re.fullmatch(LEVELS, value) is None:
        wanted = "one to four levels of a topic, of letters, digits, `_` and `-`"
        raise refused(found(value), wanted, "such as `homie`")
    return value


HubKey = Annotated[str, AfterValidator(_key), WithJsonSchema({"type": "string", "pattern": KEY})]
Levels = Annotated[
    str, AfterValidator(_levels), WithJsonSchema({"type": "string", "pattern": LEVELS})
]


class HubTable(Table):
    """What a hub at the site's broker is shown, and may have done (docs/hub.md)."""

    discovery: bool = Field(
        default=True,
        description="Show the site in the convention of device discovery. With `false` what was "
        "shown in it is taken away.",
    )
    prefix: Levels = Field(
        default="homeassistant",
        description="Where the hub looks for descriptions in that convention.",
    )
    homie: bool = Field(
        default=True,
        description="Show the site in the Homie convention, version 5. With `false` what was shown "
        "in it is taken away.",
    )
    domain: Levels = Field(
        default="homie", description="The first level of topics in that convention."
    )
    key: HubKey | None = Field(
        default=None,
        description="What tells this site apart from others at the same broker. Without it: made "
        "of the site's name.",
        examples=["boat-shed"],
    )
    controls: bool = Field(
        default=False,
        description="Whether a hub may also have packs drained to storage or made ready, say where "
        "they are, and enter what was read off. Stopping everything is always offered. Whoever may "
        "write at the broker can then do so: see docs/security.md.",
    )
    every: Annotated[float, Measure(DURATION, SECOND, 10 * MINUTE, "5 s")] = Field(
        default=float(5 * SECOND),
        description="How often what has changed goes out at most. Without it: 5 s.",
    )


@guarded
class HubSettings:
    """A hub of a site that was checked; `key` empty: made of the site's name."""

    discovery: bool = True
    prefix: str = "homeassistant"
    homie: bool = True
    domain: str = "homie"
    key: str = ""
    controls: bool = False
    every: Duration = 5 * SECOND


def hub_of(table: HubTable) -> HubSettings:
    """The settings of a table that was checked."""
    return HubSettings(
        table.discovery, table.prefix, table.homie, table.domain, table.key or "", table.controls,
        round(table.every),
    )  # fmt: skip


def hub_mistakes(raw: Raw, _known: Known) -> Iterator[tuple[Key, str, str, str]]:
    """A hub without a broker."""
    table = raw.get("hub")
    if not isinstance(table, dict):
        return
    if "mqtt" not in raw:
        yield ("hub",), "no `mqtt`", "the broker at which the hub is", "add a table `[mqtt]`"

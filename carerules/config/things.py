"""The tables of a site file about things: packs, stations, plugs, feeds, signals, uses.

Knows every key by itself. What holds between keys stands in `check`. The descriptions here are
what an editor shows and what the reference in docs/site-file.md prints: a key without one fails
a test.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from carerules.config.values import (
    Day,
    Measure,
    Name,
    PasswordFile,
    SpokenName,
    Title,
    When,
    name_of,
)
from carerules.domain.moment import DAY, HOUR, MINUTE, SECOND, WEEK
from carerules.domain.quantity import (
    CAPACITY,
    CHARGE_LEVEL,
    DURATION,
    POWER,
    TEMPERATURE,
    VOLTAGE,
)

PACKS_MAX = 500  # a large club; each pack is some memory and a row of every list
CHANNELS_MAX = 20  # a crew of twenty, each with a phone of their own
LEASE_S_MAX = 90  # the longest that a load may stay on without word from us
LEASE_S_MIN = 30  # that word goes out every 20 s; a shorter lease would end between two

Share = Annotated[float, Measure(CHARGE_LEVEL, 0, 100, "80 %", bare=True)]
CellVoltage = Annotated[float, Measure(VOLTAGE, 0.5, 5, "3.4 V")]
Warmth = Annotated[float, Measure(TEMPERATURE, -40, 120, "5 °C")]
Power = Annotated[float, Measure(POWER, 0.1, 20_000, "60 W")]


class Table(BaseModel):
    """Each table of the file: exact kinds, no unknown key."""

    # Deferred: the file is checked as a whole, and no table needs a checker of its own beside it.
    model_config = ConfigDict(
        strict=True, extra="forbid", frozen=True, arbitrary_types_allowed=True, defer_build=True
    )


class LimitsTable(Table):
    """Limits that this pack wants stricter than its chemistry has them. None can be looser."""

    cell_floor: CellVoltage | None = Field(
        default=None,
        description="A drain stops when the lowest cell falls to this voltage.",
        examples=["3.5 V"],
    )
    cell_ceiling: CellVoltage | None = Field(
        default=None,
        description="A charge stops when the highest cell rises to this voltage.",
        examples=["4.15 V"],
    )
    cell_harm: CellVoltage | None = Field(
        default=None,
        description="A cell seen below this voltage bars the pack from charging "
        "until a person has looked at it.",
        examples=["3.2 V"],
    )
    drain_coldest: Warmth | None = Field(
        default=None,
        description="No drain when the pack is colder than this.",
        examples=["5 °C"],
    )
    drain_warmest: Warmth | None = Field(
        default=None,
        description="No drain when the pack is warmer than this.",
        examples=["45 °C"],
    )
    charge_coldest: Warmth | None = Field(
        default=None,
        description="No charge when the pack is colder than this.",
        examples=["10 °C"],
    )
    charge_warmest: Warmth | None = Field(
        default=None,
        description="No charge when the pack is warmer than this.",
        examples=["40 °C"],
    )
    charge_floor: Share | None = Field(
        default=None, description="No drain goes below this state of charge.", examples=["10 %"]
    )
    rest_before_charge: Annotated[float, Measure(DURATION, MINUTE, 24 * HOUR, "30 min")] | None = (
        Field(
            default=None,
            description="How long a pack rests after current last flowed, before a charge.",
        )
    )


class PackTable(Table):
    """One pack: what stands on its label, and where it hangs."""

    chemistry: str = Field(
        min_length=1,
        description="A chemistry that ships with carerules, or the path of your own chemistry "
        "file (ends in `.toml`), taken from the site file's folder.",
        examples=["lipo"],
    )
    cells: int = Field(
        ge=1, le=200, description="How many cells stand in series, 1 to 200.", examples=[6]
    )
    capacity: Annotated[float, Measure(CAPACITY, 0.01, 5_000, "16 Ah")] = Field(
        description="The capacity on the label, when new."
    )
    tags: list[Name] = Field(
        default=[],
        max_length=20,
        description='Words by which rules pick packs: `smart packs`, `tagged "smart"`.',
        examples=[["smart"]],
    )
    role: SpokenName | None = Field(
        default=None,
        description="What the pack is for; rules ask with `role is`.",
        examples=["boat"],
    )
    made: Day | None = Field(
        default=None, description="The day it was made, or else bought.", examples=["2025-03-01"]
    )
    place: Annotated[str, name_of("station")] | None = Field(
        default=None,
        description="The station where it hangs until somebody has first said where it is.",
        examples=["A"],
    )
    discharges_after: Annotated[float, Measure(DURATION, DAY, 30 * DAY, "5 d")] | None = Field(
        default=None,
        description="For a pack with a discharge circuit of its own: how long it lies before that "
        "acts, 1 d to 30 d. The charge on the shelf follows it, to about 65 %, and rules may ask "
        'for such packs with `tagged "self-discharging"`.',
    )
    device_power: Power | None = Field(
        default=None,
        description="For a pack that cannot be taken out of its device: what that draws while it "
        "is left on. A drain is then a chore, with its time; rules may ask for such packs with "
        '`tagged "built-in"`.',
        examples=["2 W"],
    )
    limits: LimitsTable = Field(
        default=LimitsTable(),
        description="Limits stricter than the chemistry's. A looser one is refused.",
    )


class SocketTable(Table):
    """What hangs on a plug at a station."""

    plug: Annotated[str, name_of("plug")] = Field(
        description="The plug that switches it. A plug serves one place only.", examples=["A-load"]
    )
    power: Power = Field(description="The power it usually draws.")


class StationTable(Table):
    """A place where a pack hangs on a load, a charger, or both (never both switched on)."""

    load: SocketTable | None = Field(
        default=None,
        description="The discharge load here.",
        examples=[{"plug": "A-load", "power": "60 W"}],
    )
    charger: SocketTable | None = Field(
        default=None,
        description="The charger here.",
        examples=[{"plug": "A-charger", "power": "250 W"}],
    )
    blind: bool = Field(
        default=False,
        description="Allow a drain on metered energy alone, without the pack's own voltage, "
        "within stricter bounds: 30 points a run, then somebody reads it (docs/safety.md).",
    )


class PlugTable(Table):
    """A plug that carerules switches.

    Every key that is not listed here is a variable of the plug's profile and holds a text.
    """

    model_config = ConfigDict(extra="allow")
    __pydantic_extra__: dict[str, str] = Field(init=False)

    profile: str = Field(
        min_length=1,
        description="How this family of plugs is spoken to: a profile that ships with carerules, "
        "or `NAME.toml` of your own in `integrations/plugs` beside the site file.",
        examples=["generic-json"],
    )
    plugin: str | None = Field(
        default=None,
        min_length=1,
        max_length=64,
        description='The plug-in that reaches it, where its profile says `way = "plugin"`: '
        "code of a package that you have installed beside carerules. It runs with the service's "
        "rights (docs/security.md); none is loaded that no plug names.",
        examples=["weir-relay"],
    )
    lease: Annotated[float, Measure(DURATION, SECOND, DAY, "90 s")] | None = Field(
        default=None,
        description="How long the plug stays on by its own timer after each word from carerules, "
        "which comes every 20 s: 30 s to 90 s, longer only where the profile's timer cannot be "
        "set so short. Without it: 90 s.",
    )
    metered: bool = Field(
        default=True,
        description="Whether it measures power. Without that an OFF cannot be proved.",
    )
    off_power: Annotated[float, Measure(POWER, 0.05, 20, "1 W")] = Field(
        default=1.0, description="Below this power nothing flows. Without it: 1 W."
    )
    unguarded: bool = Field(
        default=False,
        description="Use a plug that has no timer of its own, and so stays on if carerules, "
        "its machine or the network fails. It is then switched only while a person is there.",
    )
    require_proof: bool = Field(
        default=True,
        description="Switch it on while nobody is there only when `carerules doctor SITE --prove` "
        "has timed it within 30 days and 20 switchings. With `false` a timer that was never seen "
        "to work is relied on, and the plug shows as unguarded. A virtual plug needs no proof.",
    )
    user: Title | None = Field(
        default=None,
        description="The name to log in with, at a plug that is asked over HTTP or in the local "
        "network. Without it: the one that its profile has.",
        examples=["admin"],
    )
    password_file: PasswordFile | None = Field(
        default=None,
        description="A file with that plug's password and nothing else, readable by its owner only "
        "(mode 0600). Plugs on MQTT have none of their own: `[mqtt]` has the broker's.",
        examples=["plug-password"],
    )


class FeedTable(Table):
    """A source of samples over MQTT: a pack's own electronics, a meter, the room.

    Every key that is not listed here is a variable of the feed's profile and holds a text.
    """

    model_config = ConfigDict(extra="allow")
    __pydantic_extra__: dict[str, str] = Field(init=False)

    profile: str = Field(
        min_length=1,
        description="How its messages are read: a profile that ships with carerules, or "
        "`NAME.toml` of your own in `integrations/feeds` beside the site file.",
        examples=["generic-json"],
    )
    pack: Annotated[str, name_of("pack")] | None = Field(
        default=None,
        description="The pack that it tells about. Without it the feed tells about the room.",
        examples=["heron"],
    )


class SignalTable(Table):
    """A value of the room or the hub that rules may ask for as `site.NAME`."""

    unit: Literal["%", "V", "A", "Ah", "Wh", "W", "mΩ", "°C", "on/off", "count"] = Field(
        description="The unit of its values.", examples=["%"]
    )
    meaning: Title = Field(
        description="What it is, for people.", examples=["humidity of the store room"]
    )
    low: str | None = Field(
        default=None,
        description="The lowest believable value; below, a sample is refused.",
        examples=["0 %"],
    )
    high: str | None = Field(
        default=None,
        description="The highest believable value; above, a sample is refused.",
        examples=["100 %"],
    )
    max_age: Annotated[float, Measure(DURATION, 10 * SECOND, WEEK, "10 min")] = Field(
        default=float(10 * MINUTE),
        description="Older than this, the value is unknown. Without it: 10 min.",
    )
    kept: bool = Field(
        default=False, description="The value holds until the next one, however old it is."
    )


class UseTable(Table):
    """A planned use: these packs are wanted full at the start."""

    start: When = Field(
        description="When it starts, by the clock of the site's zone unless an offset is given.",
        examples=["2026-12-05T08:00:00"],
    )
    packs: list[Annotated[str, name_of("pack")]] = Field(
        min_length=1,
        max_length=PACKS_MAX,
        description="The packs that are wanted full.",
        examples=[["heron"]],
    )

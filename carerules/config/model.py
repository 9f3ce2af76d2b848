"""The whole site file as one table, and its tables about the surroundings.

Knows every key by itself, and not what must hold between them; the descriptions serve as in
`things`.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from carerules.config.board import BoardTable
from carerules.config.calendar import CALENDARS_MAX, CalendarTable
from carerules.config.channels import ChannelTable
from carerules.config.hub import HubTable
from carerules.config.journal import JournalTable
from carerules.config.planning import ClockTime, PlanningTable
from carerules.config.things import (
    CHANNELS_MAX,
    PACKS_MAX,
    FeedTable,
    PackTable,
    PlugTable,
    Share,
    SignalTable,
    StationTable,
    Table,
    UseTable,
)
from carerules.config.values import (
    Folder,
    Host,
    KeyFile,
    Measure,
    Name,
    PasswordFile,
    PlainFile,
    RuleFile,
    SpokenName,
    Title,
    When,
    Zone,
    name_of,
)
from carerules.domain.moment import DAY, WEEK
from carerules.domain.quantity import CHARGE_LEVEL, DURATION, TEMPERATURE


class MqttTable(Table):
    """The broker over which plugs and feeds are reached."""

    host: Host = Field(
        default="127.0.0.1", description="The broker's name or address. Without it: this machine."
    )
    port: int = Field(default=1883, ge=1, le=65_535, description="The broker's port.")
    user: Title | None = Field(
        default=None, description="The name to log in with.", examples=["carerules"]
    )
    password_file: PasswordFile | None = Field(
        default=None,
        description="A file with the password and nothing else, readable by its owner only "
        "(mode 0600). A password never stands in the site file.",
        examples=["mqtt-password"],
    )
    tls: bool = Field(default=False, description="Speak TLS to the broker.")
    ca_file: PlainFile | None = Field(
        default=None,
        description="The certificate authority that the broker is checked against. Without it: "
        "those of the system.",
        examples=["ca.pem"],
    )
    cert_file: PlainFile | None = Field(
        default=None,
        description="Our own certificate, where the broker asks for one.",
        examples=["carerules.pem"],
    )
    key_file: KeyFile | None = Field(
        default=None,
        description="The key of that certificate, readable by its owner only (mode 0600).",
        examples=["carerules.key"],
    )
    client_id: Name | None = Field(
        default=None,
        description="The name that the broker knows the service by; commands that come beside it "
        "add to it. Without it: a new one each start.",
        examples=["carerules"],
    )
    clear_retained: bool = Field(
        default=False,
        description="Remove commands to our plugs that the broker has kept, which could switch a "
        "plug on when it reconnects, instead of only telling of them.",
    )


VISITS_MAX = 24  # one an hour


class VirtualPackTable(Table):
    """How a virtual pack begins."""

    soc: Share = Field(
        default=50.0, description="Its true state of charge at the start. Without it: 50 %."
    )
    health: Annotated[float, Measure(CHARGE_LEVEL, 20, 110, "96 %", bare=True)] = Field(
        default=96.0, description="Its true capacity against the label. Without it: 96 %."
    )
    uneven: float = Field(
        default=1.0,
        ge=0,
        le=20,
        description="How many times the usual its cells are apart. Without it: 1.",
    )
    feed: bool = Field(
        default=True,
        description="Whether it tells its own voltage and cells. Without it: yes. A pack that "
        "does not is known from the plugs and from what people type in.",
    )


class VirtualTable(Table):
    """A site that is played, with virtual packs and plugs. Nothing real is switched."""

    seed: int = Field(
        default=1, ge=0, lt=1 << 63, description="The same seed plays the same night again."
    )
    start: When = Field(
        description="What the clock shows when it begins.", examples=["2026-12-01T18:00:00"]
    )
    speed: float = Field(
        default=1.0, ge=1, le=100_000, description="How many times faster than real time it runs."
    )
    crew: bool = Field(
        default=False,
        description="Virtual people take packs out for the planned uses, bring them back and "
        "charge them.",
    )
    visits: list[ClockTime] = Field(
        default=[],
        max_length=VISITS_MAX,
        description="Times of day at which virtual people come by and do what is on the to-do "
        "list: put packs on stations, read them, answer, charge by hand what no plug may; and read "
        "those of which nothing is known.",
        examples=[["08:00", "20:00"]],
    )
    room: Annotated[float, Measure(TEMPERATURE, -20, 50, "20 °C")] = Field(
        default=20.0, description="How warm the room is on average. Without it: 20 °C."
    )
    pack: dict[Annotated[str, name_of("pack")], VirtualPackTable] = Field(
        default={}, max_length=PACKS_MAX, description="How each pack begins."
    )


class SiteTable(Table):
    """A carerules site file: the packs, the places and plugs they hang on, and the rules."""

    name: Title = Field(description="What the site is called.", examples=["river survey"])
    zone: Zone = Field(
        description="The time zone of every clock time, by its name in the IANA time zone "
        "database.",
        examples=["Europe/Lisbon"],
    )
    rules: list[RuleFile] = Field(
        default=[],
        max_length=20,
        description="Rule files, taken from the site file's folder.",
        examples=[["river.care"]],
    )
    state: Folder = Field(
        default="state",
        description="The folder that keeps the journal, taken from the site file's folder.",
    )
    journal: JournalTable | None = Field(
        default=None,
        description="A database for the journal, where several machines share sites "
        "(docs/fleet.md). Without it: a file in `state`.",
    )
    pack: dict[SpokenName, PackTable] = Field(
        min_length=1, max_length=PACKS_MAX, description="The packs, each by its name."
    )
    station: dict[Name, StationTable] = Field(
        default={}, max_length=PACKS_MAX, description="The stations, each by its name."
    )
    plug: dict[Name, PlugTable] = Field(
        default={}, max_length=2 * PACKS_MAX, description="The plugs, each by its name."
    )
    feed: dict[Name, FeedTable] = Field(
        default={}, max_length=2 * PACKS_MAX, description="The feeds, each by its name."
    )
    signal: dict[Name, SignalTable] = Field(
        default={}, max_length=100, description="Signals of the site's own, each by its name."
    )
    channel: dict[Name, ChannelTable] = Field(
        default={},
        max_length=CHANNELS_MAX,
        description="The channels by which notices go out, each by its name.",
    )
    unattended_needs_notice: bool | None = Field(
        default=None,
        description="Whether nothing is switched on without a person there unless a notice has "
        "gone over a channel in the last 24 h. Without it: yes, where there is a channel of a kind "
        "other than `terminal`; no on a virtual site.",
        examples=[True],
    )
    keep_samples: Annotated[float, Measure(DURATION, WEEK, 10 * 365 * DAY, "35 d")] = Field(
        default=float(35 * DAY),
        description="How long samples, plug reports and refusals stay in the journal. What was "
        "decided and what people said stays for good. A rule's `for` can look back no further. "
        "Without it: 35 d.",
    )
    log: Literal["words", "json"] | None = Field(
        default=None,
        description="How `carerules run` tells what it does: in words, or as a line of JSON each "
        "(docs/json.md). `--log` and CARERULES_LOG come before it. Without it: in words.",
        examples=["json"],
    )
    use: dict[Title, UseTable] = Field(
        default={}, max_length=1_000, description="Planned uses, each by its name."
    )
    calendar: dict[Name, CalendarTable] = Field(
        default={},
        max_length=CALENDARS_MAX,
        description="Calendars whose events plan uses, each by its name.",
    )
    mqtt: MqttTable | None = Field(
        default=None,
        description="The broker. With neither this nor `virtual`, values are typed in by hand.",
    )
    hub: HubTable | None = Field(
        default=None,
        description="Show the site to a hub at that broker. Without it: nothing is shown.",
    )
    planning: PlanningTable | None = Field(
        default=None, description="What plans of the night go by. Without it: their defaults."
    )
    board: BoardTable | None = Field(
        default=None, description="The page that a browser shows. Without it: none is served."
    )
    virtual: VirtualTable | None = Field(
        default=None, description="Play the site instead of switching anything. Not beside `mqtt`."
    )

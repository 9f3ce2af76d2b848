"""A site file that held: everything it says, in the words of `domain`.

Knows what was read and checked. Does not check again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field, replace
from math import ceil
from pathlib import Path
from typing import TYPE_CHECKING, Literal
from zoneinfo import ZoneInfo

from carerules.adapters import (
    Feed,
    FeedProfile,
    JournalPlace,
    Login,
    MqttAddress,
    PlugProfile,
    PostgresPlace,
)
from carerules.battery import Chemistry, shipped_chemistries
from carerules.config.board import BoardDoor, board_door
from carerules.config.calendar import CalendarSettings, calendar_of
from carerules.config.channels import Channel, channel_of
from carerules.config.hub import HubSettings, hub_of
from carerules.config.journal import place_of
from carerules.config.known import Known
from carerules.config.model import MqttTable, SiteTable, VirtualTable
from carerules.config.packs import had, pack_of
from carerules.config.planning import Planning, planning_of
from carerules.config.signals import UNITS_OF_SIGNALS, signal_of
from carerules.config.things import LEASE_S_MAX, PlugTable, SocketTable
from carerules.domain.frozen import guarded
from carerules.domain.moment import DAY, SECOND, Duration, LocalTime, Moment
from carerules.domain.pack import Pack, Plug, Site, Socket, Station, Use
from carerules.domain.signal import Signal
from carerules.lang import Names

if TYPE_CHECKING:
    from carerules.lang.prove import CellModel


@guarded
class VirtualPackStart:
    """How a virtual pack begins.

    True charge and health in %; how many times the usual its cells are apart; whether it tells
    its own voltage.
    """

    soc: float = 50.0
    health: float = 96.0
    uneven: float = 1.0
    feed: bool = True


@guarded
class VirtualStart:
    """A site that is played: from `seed`, beginning at `start`, `speed` times as fast as life.

    `crew`: virtual people take packs out for the planned uses; `visits`: the minutes of the day at
    which somebody does what is on the to-do list. `room_c` in °C.
    """

    seed: int
    start: Moment
    speed: float
    crew: bool
    visits: tuple[int, ...]
    room_c: float
    packs: Mapping[str, VirtualPackStart]


@guarded
class SiteFile:
    """One site file, read and checked; its moments are true for a line that the wall agrees with.

    `rules` and `state` are paths; `places` says where packs hang at first; `channels` says of which
    kind each is, `ways_out` has those that leave the house; samples stay in the journal for
    `keep_samples`. Neither `mqtt` nor `virtual` means that values are typed in by hand. `logins`
    are those of plugs that are asked, where the file has any. `board` None: no page is served.
    `database` None: the journal is a file of `state`. `left_out`: names of plugs that something
    refused keeps us from, where the file was read to stop all the same.
    """

    file: str
    folder: Path
    site: Site
    chemistries: Mapping[str, Chemistry]
    signals: tuple[Signal, ...]
    rules: tuple[Path, ...]
    state: Path
    feeds: tuple[Feed, ...]
    plug_profiles: Mapping[str, PlugProfile]
    feed_profiles: Mapping[str, FeedProfile]
    places: Mapping[str, str]
    uses: tuple[Use, ...]
    channels: Mapping[str, str]
    mqtt: MqttAddress | None = None
    virtual: VirtualStart | None = None
    ways_out: tuple[Channel, ...] = ()
    keep_samples: Duration = 35 * DAY
    log: Literal["words", "json"] | None = None
    logins: Mapping[str, Login] = field(default_factory=dict)
    hub: HubSettings | None = None
    board: BoardDoor | None = None
    calendars: tuple[CalendarSettings, ...] = ()
    planning: Planning = field(default_factory=Planning)
    database: PostgresPlace | None = None
    left_out: tuple[str, ...] = ()

    @property
    def journal(self) -> JournalPlace:
        """Where the site's journal lies."""
        return self.state / "journal.db" if self.database is None else self.database

    @property
    def called(self) -> Mapping[str, Plug]:
        """The plugs that answer each request, by name; none on a virtual site."""
        return {} if self.virtual is not None else self._reached(by_call=True)

    @property
    def on_broker(self) -> Mapping[str, Plug]:
        """The plugs that speak over the broker, by name."""
        return self._reached(by_call=False)

    @property
    def has_wires(self) -> bool:
        """Whether anything real is reached: a broker, or a plug that is asked."""
        return self.mqtt is not None or bool(self.called)

    def _reached(self, *, by_call: bool) -> Mapping[str, Plug]:
        profiles = self.plug_profiles
        plugs = self.site.plugs.items()
        return {n: p for n, p in plugs if (profiles[p.profile].call is not None) == by_call}

    @property
    def names(self) -> Names:
        """The names that rules may use of this site."""
        packs = self.site.packs.values()
        return Names(
            packs=frozenset(self.site.packs),
            chemistries=frozenset(self.chemistries) | frozenset(shipped_chemistries()),
            tags=frozenset(tag for pack in packs for tag in pack.tags),
            roles=frozenset(pack.role for pack in packs if pack.role),
            channels=frozenset(self.channels),
        )

    @property
    def cells(self) -> Mapping[str, CellModel]:
        """How the cells of each pack behave, by its name, for the proofs: on the rest curve of its
        chemistry, within twice its spread. A pack whose rest voltage shows nothing has none."""
        # Only who proves waits for the proofs to be imported.
        from carerules.lang.prove import CellModel  # noqa: PLC0415

        models = {
            name: CellModel(
                tuple(100 * fraction for fraction in one.fractions),
                one.volts,
                tuple(2 * spread for spread in one.spreads),
                source=name,
            )
            for name, one in self.chemistries.items()
            if one.shows_charge
        }
        packs = self.site.packs.values()
        return {p.name: models[p.chemistry] for p in packs if p.chemistry in models}

    def with_lead(self, offset: Duration) -> SiteFile:
        """The same with its moments on a line that the wall clock leads by `offset`."""
        shift = offset - self.site.local.offset

        def shifted(pack: Pack) -> Pack:
            return replace(pack, made=None if pack.made is None else pack.made - shift)

        site = replace(
            self.site,
            local=replace(self.site.local, offset=offset),
            packs={name: shifted(pack) for name, pack in self.site.packs.items()},
        )
        uses = tuple(replace(use, start=use.start - shift) for use in self.uses)
        return replace(self, site=site, uses=uses)


def built(table: SiteTable, file: str, folder: Path, known: Known) -> SiteFile:
    """The site file of a table that passed every check."""
    local = LocalTime(ZoneInfo(table.zone))
    chemistries = {pack.chemistry: had(known, pack) for pack in table.pack.values()}
    packs = {
        name: pack_of(name, pack, chemistries[pack.chemistry], local)
        for name, pack in table.pack.items()
    }
    broker = _broker(table, folder)
    ways_out = tuple(
        channel
        for name, one in table.channel.items()
        if (channel := channel_of(name, one, folder, broker)) is not None
    )
    uses = (
        Use(name, local.moment(use.start), frozenset(use.packs)) for name, use in table.use.items()
    )
    return SiteFile(
        file=file,
        folder=folder,
        site=_site(table, local, packs, known, needs_notice=_needs_notice(table, ways_out)),
        chemistries={chemistry.name: chemistry for chemistry in chemistries.values()},
        signals=tuple(
            signal_of(name, UNITS_OF_SIGNALS[signal.unit], signal)
            for name, signal in table.signal.items()
        ),
        rules=tuple(folder / rules for rules in table.rules),
        state=folder / table.state,
        feeds=tuple(
            Feed(name, feed.profile, dict(feed.__pydantic_extra__), feed.pack)
            for name, feed in table.feed.items()
        ),
        plug_profiles={p.name: p for p in known.plugs.values() if isinstance(p, PlugProfile)},
        feed_profiles={p.name: p for p in known.feeds.values() if isinstance(p, FeedProfile)},
        places={name: pack.place for name, pack in table.pack.items() if pack.place},
        uses=tuple(sorted(uses, key=lambda use: use.start)),
        channels={name: channel.kind for name, channel in table.channel.items()},
        mqtt=broker,
        virtual=None if table.virtual is None else _virtual(table.virtual, local),
        ways_out=ways_out,
        keep_samples=round(table.keep_samples),
        log=table.log,
        logins={
            name: Login(plug.user, _beside(folder, plug.password_file))
            for name, plug in table.plug.items()
        },
        hub=None if table.hub is None else hub_of(table.hub),
        board=None if table.board is None else board_door(table.board, folder),
        database=None if table.journal is None else place_of(table.journal, table.name),
        planning=Planning() if table.planning is None else planning_of(table.planning),
        calendars=tuple(
            calendar_of(name, calendar, folder, packs) for name, calendar in table.calendar.items()
        ),
    )


def _site(
    table: SiteTable, local: LocalTime, packs: Mapping[str, Pack], known: Known, *,
    needs_notice: bool,
) -> Site:  # fmt: skip
    real = table.virtual is None
    return Site(
        table.name,
        local,
        packs,
        {
            name: Station(name, _socket(station.load), _socket(station.charger), station.blind)
            for name, station in table.station.items()
        },
        {name: _plug(name, plug, known, real=real) for name, plug in table.plug.items()},
        virtual=not real,
        needs_notice=needs_notice,
    )


def _broker(table: SiteTable, folder: Path) -> MqttAddress | None:
    broker = None if table.mqtt is None else _mqtt(table.mqtt, folder)
    if broker is not None and broker.client_id is None and table.journal is not None:
        # One name over all machines: with the next owner's connection the broker ends that of the
        # one before (MQTT 5.0, 3.1.4), whatever that one still had to say.
        return replace(broker, client_id=f"carerules-{table.journal.schema_}")
    return broker


def _needs_notice(table: SiteTable, ways_out: tuple[Channel, ...]) -> bool:
    wish = table.unattended_needs_notice
    return (bool(ways_out) and table.virtual is None) if wish is None else wish


def _socket(socket: SocketTable | None) -> Socket | None:
    return None if socket is None else Socket(socket.plug, socket.power)


def _plug(name: str, plug: PlugTable, known: Known, *, real: bool) -> Plug:
    profile = known.plugs[plug.profile]
    assert isinstance(profile, PlugProfile)
    lease_s = LEASE_S_MAX if plug.lease is None else ceil(plug.lease / SECOND)
    return Plug(
        name=name,
        profile=profile.name,
        variables=dict(plug.__pydantic_extra__),
        lease_s=profile.lease_for(lease_s),
        metered=plug.metered,
        timer_shown=bool(profile.timer),
        off_w=plug.off_power,
        unguarded=plug.unguarded,
        needs_proof=real and plug.require_proof,
        plugin=plug.plugin or "",
        # Empty where it is not installed here: who would reach the plug says so.
        plugin_version="" if plug.plugin is None else _version(plug.plugin),
    )


def _version(plugin: str) -> str:
    # Few sites have any, and looking through what is installed takes a while.
    from carerules.adapters.pluginline import Installed, installed  # noqa: PLC0415

    code = installed(plugin)
    return code.version if isinstance(code, Installed) else ""


def _mqtt(mqtt: MqttTable, folder: Path) -> MqttAddress:
    return MqttAddress(
        host=mqtt.host,
        port=mqtt.port,
        username=mqtt.user,
        password_file=_beside(folder, mqtt.password_file),
        tls=mqtt.tls,
        ca_file=_beside(folder, mqtt.ca_file),
        cert_file=_beside(folder, mqtt.cert_file),
        key_file=_beside(folder, mqtt.key_file),
        client_id=mqtt.client_id,
        clear_retained=mqtt.clear_retained,
    )


def _beside(folder: Path, path: str | None) -> Path | None:
    return None if path is None else folder / path


def _virtual(virtual: VirtualTable, local: LocalTime) -> VirtualStart:
    return VirtualStart(
        seed=virtual.seed,
        start=local.moment(virtual.start),
        speed=virtual.speed,
        crew=virtual.crew,
        visits=tuple(virtual.visits),
        room_c=virtual.room,
        packs={
            name: VirtualPackStart(pack.soc, pack.health, pack.uneven, pack.feed)
            for name, pack in virtual.pack.items()
        },
    )

"""The world as the core knows it: one value, replaced at each step, never changed.

Knows what is remembered of packs, stations, plugs, uses and chores. Does not know how it changes.
`Setup` is what was written (site, chemistries, rules); `World` what has happened.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeVar

from carerules.battery import Chemistry, Estimate, Habit, Session, fresh
from carerules.domain.event import Happened, Sample
from carerules.domain.frozen import frozen
from carerules.domain.keptplan import KeptPlan
from carerules.domain.moment import NEVER, LocalTime, Moment
from carerules.domain.pack import SIDES, Pack, Side, Site, Socket, Station, Use
from carerules.domain.plan import Plan
from carerules.domain.quantity import Known, Reading, Unknown
from carerules.domain.signal import Catalogue
from carerules.engine import (
    Bound,
    CountState,
    Job,
    Memory,
    RuleState,
    Section,
    bind_all,
    fresh_counts,
    fresh_states,
)
from carerules.loop.chunks import Chunked, by_name
from carerules.safety import Dwell, PlugState, unknown_plug

V = TypeVar("V")


@frozen
class Setup:
    """Everything that a person wrote, checked and made ready to run."""

    site: Site
    chemistries: Mapping[str, Chemistry]
    signals: Catalogue
    plan: Plan
    bound: Mapping[str, Bound]
    sockets: Mapping[str, tuple[Station, Side, Socket]] = field(default_factory=dict)


def make_setup(
    site: Site, chemistries: Mapping[str, Chemistry], signals: Catalogue, plan: Plan
) -> Setup:
    """Bind the plan's rules to the site's packs."""
    sockets = {
        socket.plug: (station, side, socket)
        for station in site.stations.values()
        for side in SIDES
        if (socket := station.socket(side)) is not None
    }
    return Setup(site, chemistries, signals, plan, bind_all(plan, site.packs, signals), sockets)


@frozen
class Recent:
    """A sample or happening that was taken in lately, and what was known before it."""

    event: Sample | Happened
    estimate: Estimate
    rules: tuple[RuleState, ...]
    nevers: tuple[tuple[Memory, ...], ...]
    counting: tuple[CountState, ...]
    happened: Mapping[str, tuple[Moment, ...]]
    due: Moment
    seen: Moment


@dataclass(
    frozen=True
)  # without `__slots__`: a turn copies it as a whole, at a quarter of the price
class PackState:
    """What is known of one pack, and what is under way for it.

    `due` is when its rules must be looked at again by themselves, `jobs_due` when its jobs must;
    `deadline` is `due` but for readings growing stale, which each sample puts off. `looked_at` is
    where the readings lay that the rules last saw. `left_out` counts samples that were not taken.
    `barred` and `retired` say why it takes no energy; empty: it does. `never_keys` say by their
    meaning whose memories `nevers` are, and `label` which pack, by its make, all this was learned
    of. `ask_at`: when a person is asked to read it, nothing being known of its charge (None: nobody
    is to be asked; never: somebody was).
    """

    estimate: Estimate
    rules: tuple[RuleState, ...]
    nevers: tuple[tuple[Memory, ...], ...]
    counting: tuple[CountState, ...] = ()
    station: str | None = None
    placed_at: Moment = 0
    happened: Mapping[str, tuple[Moment, ...]] = field(default_factory=dict)
    uses: tuple[Moment, ...] = ()
    jobs: tuple[Job, ...] = ()
    barred: str = ""
    retired: str = ""
    seen: Moment = 0
    due: Moment = NEVER
    deadline: Moment = NEVER
    looked_at: tuple[Section, ...] | None = None
    jobs_due: Moment = NEVER
    ask_at: Moment | None = None
    recent: tuple[Recent, ...] = ()
    left_out: int = 0
    never_keys: tuple[str, ...] = ()
    label: str = ""

    @property
    def soc(self) -> Reading:
        """The state of charge, or why it is unknown."""
        return self.estimate.readings.get("pack.soc", NEVER_SEEN)


NEVER_SEEN = Unknown("never seen")


@frozen
class StationState:
    """Whether a station may be used: `locked` says why not; `dwell` how long it stays off.

    `unreached`: locked only because its plug could not be reached; it opens by itself when it can.
    `session` is the charge at its charger now or last, `habit` what that charger has shown.
    `first_cell`: the lowest cell as it was first told of in this ON: by whom, V, what had flowed by
    then (Wh), and when. `refused_at`: since when nothing was permitted of what is wanted here.
    """

    locked: str = ""
    unreached: bool = False
    dwell: Dwell = field(default_factory=Dwell)
    veto: str = ""
    refused_at: Moment | None = None
    session: Session = field(default_factory=Session)
    habit: Habit = field(default_factory=Habit)
    first_cell: tuple[str, float, float, Moment] | None = None


@frozen
class OpenChore:
    """Something on the to-do list; `later`: a person does not want to see it before then."""

    key: str
    pack: str
    text: str
    since: Moment
    later: Moment = 0


@dataclass(frozen=True)  # without `__slots__`: as PackState
class World:
    """Everything that has happened, as far as it matters now.

    `starting_since`: plugs are being brought off, and no rule fires yet. `muted`: rules (pack and
    key) that look on but do not fire, while facts from before their time are gone through.
    `counts`: for how many packs each condition is true that some rule counts packs by.
    `notice_proven_at`: when a notice last reached people, over whichever channel. `kept`: the plan
    that the to-do list follows. `hangs`: by station, the pack on it. `touched`: the packs and the
    plugs that the last step has changed.
    """

    setup: Setup
    now: Moment
    local: LocalTime
    packs: Mapping[str, PackState]
    stations: Mapping[str, StationState]
    plugs: Mapping[str, PlugState]
    room: Mapping[str, Reading] = field(default_factory=dict)
    uses: Mapping[str, Use] = field(default_factory=dict)
    chores: Mapping[str, OpenChore] = field(default_factory=dict)
    attended_until: Moment = 0
    stopped: str = ""
    starting_since: Moment | None = None
    ended: bool = False
    jobs_made: int = 0
    refused: int = 0
    muted: frozenset[tuple[str, str]] = frozenset()
    counts: Mapping[str, int] = field(default_factory=dict)
    notice_proven_at: Moment | None = None
    kept: KeptPlan | None = None
    hangs: Mapping[str, str] = field(default_factory=dict)
    touched: tuple[tuple[str, ...], tuple[str, ...]] = field(default=((), ()), compare=False)


def new_world(setup: Setup, now: Moment) -> World:
    """A world in which nothing has been heard yet; its plugs may be on."""
    site = setup.site
    packs = {
        name: PackState(
            estimate=fresh(pack),
            rules=fresh_states(setup.bound[name]),
            nevers=tuple(never.when.fresh for never in setup.bound[name].nevers),
            counting=fresh_counts(setup.bound[name]),
            never_keys=tuple(one.never.key for one in setup.bound[name].nevers),
            label=f"{pack.chemistry}, {pack.cells} cells, {pack.capacity_ah:g} Ah",
        )
        for name, pack in site.packs.items()
    }
    return World(
        setup, now, site.local, by_name(packs),
        stations=by_name({name: StationState() for name in site.stations}),
        plugs=by_name({name: unknown_plug(plug, now) for name, plug in site.plugs.items()}),
    )  # fmt: skip


def put(mapping: Mapping[str, V], key: str, value: V) -> Mapping[str, V]:
    """A copy of the mapping with one entry changed."""
    if type(mapping) is not dict and isinstance(mapping, Chunked) and key in mapping:
        return mapping.having(key, value)
    after = dict(mapping)
    after[key] = value
    return after


def without(mapping: Mapping[str, V], key: str) -> Mapping[str, V]:
    """The mapping with one entry gone."""
    return {k: v for k, v in mapping.items() if k != key}


def pack_on(world: World, station: str) -> str | None:
    """The pack that is on the station, if any."""
    return world.hangs.get(station)


def hanging(packs: Mapping[str, PackState]) -> Mapping[str, str]:
    """By station, the pack that hangs there."""
    return {state.station: name for name, state in packs.items() if state.station is not None}


def socket_of(world: World, plug: str) -> tuple[Station, Side, Socket] | None:
    """What hangs on the plug, and where."""
    return world.setup.sockets.get(plug)


def chemistry_of(world: World, pack: Pack) -> Chemistry:
    """The pack's chemistry."""
    return world.setup.chemistries[pack.chemistry]


def station_readings(world: World, name: str) -> Mapping[str, Reading]:
    """The signals of a station, as its plugs reported them."""
    station = world.setup.site.stations[name]
    readings: dict[str, Reading] = {}
    for side in SIDES:
        socket = station.socket(side)
        if socket is None:
            continue
        state = world.plugs[socket.plug]
        if state.power_w is not None:
            readings[f"station.{side.value}.power"] = Known(
                state.power_w, 0.0, state.power_heard, socket.plug
            )
        if state.on is not None:
            readings[f"station.{side.value}.on"] = Known(
                float(state.on), 0.0, state.on_heard, socket.plug
            )
    return readings

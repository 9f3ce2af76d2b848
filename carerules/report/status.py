"""The whole site at a glance: packs, stations, uses, chores, and whether a service runs.

Knows worlds and shapes. Does not know the words (`status_lines`), nor where it is shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from types import MappingProxyType

from carerules.battery import History
from carerules.domain.frozen import guarded
from carerules.domain.moment import LocalTime, Moment
from carerules.domain.pack import Side, Site
from carerules.engine import Phase
from carerules.loop import OpenChore, World, coming, move_key, pack_on, say_chore
from carerules.report.glance import glance_of
from carerules.report.pack import pack_of, tidy, use_of
from carerules.report.shapes import (
    CalendarCopyShape,
    ChoreShape,
    ChoresShape,
    ComingShape,
    PackShape,
    PlugShape,
    PlugWord,
    ServiceShape,
    StationShape,
    StatusShape,
    UsesShape,
)
from carerules.safety import PlugState, lacking

NO_PAST: Mapping[str, History] = MappingProxyType({})


@guarded
class KeptCalendar:
    """A calendar's copy: when it was last known to be current (wall time, ms since the Unix epoch;
    None: there is no copy), and why no newer one is to be had."""

    name: str
    good_ms: int | None = None
    why: str = ""


@guarded
class Keeper:
    """What is known of the service and its journal, beside the world. `entries_waiting`: how
    many."""

    running: bool = False
    pid: int | None = None
    last_wrote: Moment | None = None
    rules_loaded: bool = True
    entries_waiting: int = 0
    damaged_rows: int = 0
    calendars: tuple[KeptCalendar, ...] = ()


def status_of(
    world: World,
    keeper: Keeper,
    packs: Iterable[str] | None = None,
    past: Mapping[str, History] = NO_PAST,
) -> StatusShape:
    """The site as it is now; `packs`: only these, and the stations that they are on. `past` adds
    trends and weak cells to the health of those that are in it."""
    site, local = world.setup.site, world.local
    names = list(site.packs) if packs is None else list(packs)
    places = [
        name
        for name in site.stations
        if packs is None or any(world.packs[pack].station == name for pack in names)
    ]
    return StatusShape(
        site=site.name,
        virtual=site.virtual,
        now=local.read(world.now),
        service=ServiceShape(
            running=keeper.running,
            pid=keeper.pid,
            last_wrote=None if keeper.last_wrote is None else local.read(keeper.last_wrote),
        ),
        rules_loaded=keeper.rules_loaded,
        stopped=world.stopped or None,
        attended_until=(
            local.read(world.attended_until) if world.attended_until > world.now else None
        ),
        packs=[pack_of(world, name, glance_of(world, name, past.get(name))) for name in names],
        stations=[station_now(world, name) for name in places],
        uses=uses_of(world).uses,
        calendars=[_calendar(one, local) for one in keeper.calendars],
        chores=[
            _chore(world, chore)
            for chore in sorted(world.chores.values(), key=lambda chore: chore.since)
            if packs is None or chore.pack in names
        ],
        entries_waiting=keeper.entries_waiting,
        refused=world.refused,
        left_out=sum(state.left_out for state in world.packs.values()),
        damaged_rows=keeper.damaged_rows,
    )


def _chore(world: World, chore: OpenChore) -> ChoreShape:
    jobs = {job.id: job for state in world.packs.values() for job in state.jobs}
    job = jobs.get(chore.key)
    return ChoreShape(
        key=chore.key, job=None if job is None else job.id,
        asks=job is not None and job.phase is Phase.ASKING,
        pack=chore.pack or None, text=say_chore(chore, world), since=world.local.read(chore.since),
        later=world.local.read(chore.later) if chore.later > world.now else None,
    )  # fmt: skip


def chores_of(world: World, keeper: Keeper) -> ChoresShape:
    """What is for a person to do, and what of the kept plan comes later."""
    listed = set(world.chores)
    return ChoresShape(
        site=world.setup.site.name, chores=status_of(world, keeper).chores,
        coming=[
            ComingShape(told=world.local.read(one.tell), at=world.local.read(one.at),
                        pack=one.pack, station=one.station, off=one.off or None)
            for one in coming(world) if move_key(one) not in listed
        ],
    )  # fmt: skip


def _calendar(kept: KeptCalendar, local: LocalTime) -> CalendarCopyShape:
    at = kept.good_ms
    good = None if at is None else datetime.fromtimestamp(at / 1_000, UTC).astimezone(local.zone)
    return CalendarCopyShape(calendar=kept.name, good_at=good, why=kept.why or None)


def uses_of(world: World) -> UsesShape:
    """The uses that lie ahead, soonest first."""
    ahead = [use for use in world.uses.values() if use.start >= world.now]
    return UsesShape(
        site=world.setup.site.name,
        uses=[use_of(use, world.local) for use in sorted(ahead, key=lambda use: use.start)],
    )


def pack_now(world: World, name: str) -> PackShape:
    """One pack as it is now."""
    return pack_of(world, name, glance_of(world, name))


def station_now(world: World, name: str) -> StationShape:
    """One station as it is now."""
    station = world.setup.site.stations[name]
    plugs = [
        _plug(world, world.plugs[socket.plug], side)
        for side in Side
        if (socket := station.socket(side)) is not None
    ]
    locked = world.stations[name].locked or None
    return StationShape(station=name, pack=pack_on(world, name), locked=locked, plugs=plugs)


def _plug(world: World, plug: PlugState, side: Side) -> PlugShape:
    heard = max(plug.on_heard, plug.power_heard)
    return PlugShape(
        plug=plug.name,
        side=side.value,
        state=plug_word(plug),
        reached=plug.up,
        power_w=None if plug.power_w is None else tidy(plug.power_w),
        heard=world.local.read(heard) if heard >= 0 else None,
        on_since=None if plug.on_at is None else world.local.read(plug.on_at),
        unguarded=unguarded(world.setup.site, plug, world.now) or None,
    )


def unguarded(site: Site, state: PlugState, now: Moment) -> str:
    """Why nobody may rely on the plug to open by itself, with the mend; empty: it was timed."""
    plug = site.plugs[state.name]
    if site.virtual:
        return ""
    if plug.lease_s is None:
        return "it has no timer of its own: stay with it while it is on"
    if not plug.needs_proof:
        return "its timer is relied on without a proof (`require_proof = false`)"
    what = lacking(plug, state.proof, now, running=state.on_at is not None)
    return what and f"it {what}: `carerules doctor SITE --prove {plug.name}`"


def plug_word(plug: PlugState) -> PlugWord:
    """What a plug's state comes to: anything that is not read back off is said to be so."""
    if plug.on_at is not None:
        return "on"
    if not plug.proven_off:
        return "off unproved"
    return "on unasked" if plug.on else "off"

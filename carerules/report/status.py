"""The whole site at a glance: packs, stations, uses, chores, and whether a service runs.

Knows worlds, shapes and how a page of 80 columns is laid out. Does not know where it is printed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from types import MappingProxyType

from carerules.battery import History
from carerules.domain.moment import LocalTime, Moment
from carerules.domain.pack import Side, Site
from carerules.engine import Phase
from carerules.loop import OpenChore, World, pack_on
from carerules.report.glance import glance_of, glance_words
from carerules.report.pack import pack_of, show_use, tidy, use_of
from carerules.report.page import Paint, fold, plain, show_at, show_percent, show_s
from carerules.report.shapes import (
    CalendarCopyShape,
    ChoreShape,
    JobShape,
    PackShape,
    PlugShape,
    PlugWord,
    ServiceShape,
    StationShape,
    StatusShape,
    UsesShape,
    WaitShape,
)
from carerules.safety import PlugState, lacking

NO_PAST: Mapping[str, History] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class KeptCalendar:
    """A calendar's copy: when it was last known to be current (wall time, ms since the Unix epoch;
    None: there is no copy), and why no newer one is to be had."""

    name: str
    good_ms: int | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class Keeper:
    """What is known of the service and its journal, beside the world."""

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
        pack=chore.pack or None, text=chore.text, since=world.local.read(chore.since),
        later=world.local.read(chore.later) if chore.later > world.now else None,
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
        return "off unproven"
    return "on unasked" if plug.on else "off"


# ---- as words --------------------------------------------------------------------------------

_LABEL = 11


def status_lines(status: StatusShape, paint: Paint = plain, *, whole: bool = False) -> list[str]:
    """The status for a terminal; `whole`: with all that is known of a pack's health, not only what
    is worth a look."""
    lines = list(_head(status, paint))
    for pack in status.packs:
        lines += ["", *_pack_lines(pack, status, paint, whole=whole)]
    if status.stations:
        lines.append("")
    for station in status.stations:
        lines += _station_lines(station, status, paint)
    if status.calendars:
        lines.append("")
    for calendar in status.calendars:
        lines += _calendar_lines(calendar, paint)
    if status.chores:
        lines += ["", "for you:", *chore_lines(status.chores)]
    counts = _counts(status)
    return [*lines, "", *fold("", counts)] if counts else lines


def uses_lines(uses: UsesShape) -> list[str]:
    """The uses for a terminal."""
    if not uses.uses:
        return ["no use is planned"]
    return [line for use in uses.uses for line in fold(f"{show_at(use.start)}  ", show_use(use))]


def chore_lines(chores: Sequence[ChoreShape]) -> list[str]:
    """What is for a person to do, each with its number."""
    lines: list[str] = []
    for number, chore in enumerate(chores, 1):
        about = f"{chore.pack}: " if chore.pack and chore.pack not in chore.text else ""
        later = f"; not before {show_at(chore.later)}" if chore.later is not None else ""
        lines += fold(f"  {number}. ", f"{about}{chore.text} (since {show_at(chore.since)}{later})")
    return lines


def _head(status: StatusShape, paint: Paint) -> Iterator[str]:
    played = ", virtual: nothing real is switched" if status.virtual else ""
    yield from fold("", f"{status.site}, {show_at(status.now)}{played}")
    service = status.service
    wrote = "" if service.last_wrote is None else f"last wrote {show_at(service.last_wrote)}"
    if service.running:
        pid = f" (process {service.pid})" if service.pid is not None else ""
        yield from fold("", f"the service runs{pid}{', ' if wrote else ''}{wrote}")
    elif wrote:
        yield from _painted(paint, "tell", fold("", f"no service runs; one {wrote}"))
    else:
        yield from _painted(paint, "tell", ["no service has run here yet"])
    if not status.rules_loaded:
        words = "the rules have errors, so none is shown: see `carerules check`"
        yield from _painted(paint, "alarm", fold("", words))
    if status.stopped is not None:
        words = f"everything is stopped ({status.stopped}): `carerules release site` when looked at"
        yield from _painted(paint, "alarm", fold("", words))
    if status.attended_until is not None:
        yield f"somebody is there until {show_at(status.attended_until)}"


def _pack_lines(
    pack: PackShape, status: StatusShape, paint: Paint, *, whole: bool
) -> Iterator[str]:
    where = f"on {pack.station}" if pack.station else "on no station"
    yield from fold("", f"{pack.pack}: {pack.chemistry}, {pack.cells} cells, {where}")
    for bar in (pack.barred, pack.retired):
        if bar is not None:
            mend = f"; look at it, then `carerules release {pack.pack}`"
            yield from _painted(paint, "alarm", _row("barred", f"{bar}{mend}"))
    yield from _row("charge", charge_words(pack))
    health, asks = glance_words(pack, whole=whole)
    if health:
        yield from _painted(paint, "tell" if asks else "seen", _row("health", health))
    if pack.doubt is not None:
        yield from _painted(paint, "tell", _row("doubt", pack.doubt))
    for job in pack.jobs:
        yield from _painted(paint, "decided", _row("doing", job_words(job)))
    for wait in pack.waits:
        yield from _row("waits", _wait_words(wait, status))
    if pack.next_use is not None:
        left = (pack.next_use.start - status.now).total_seconds()
        when = f"{show_at(pack.next_use.start)}, in {show_s(left)}"
        yield from _row("next use", f"{pack.next_use.use}, {when}")
    if pack.left_out:
        yield from _row("left out", f"{pack.left_out} samples that came too late")


def charge_words(pack: PackShape) -> str:
    """`100 % ± 2 %, said to be full, Mon 30 Nov 18:00; 25.1 V, 18 °C`."""
    charge = pack.charge
    if charge.soc_percent is None or charge.since is None:
        words = f"not known: {charge.unknown}"
    else:
        words = show_percent(charge.soc_percent, charge.spread_percent)
        since = "since" if charge.source == "counted" else "on"
        words += f", {charge.source} {since} {show_at(charge.since)}"
    seen = [] if pack.voltage_v is None else [f"{pack.voltage_v:.2f} V"]
    seen += [] if pack.temperature_c is None else [f"{pack.temperature_c:.0f} °C"]
    return f"{words}; now {', '.join(seen)}" if seen else words


def job_words(job: JobShape) -> str:
    """`drain to 80 % (heron-1, rule full-too-long): waiting, only during 22:00-06:00`."""
    why = f", {job.why}" if job.why else ""
    mend = f"; {job.mend}" if job.mend else ""
    moved = f"; {job.energy_wh:.0f} Wh moved" if job.energy_wh >= 0.5 else ""
    since = f" since {show_at(job.since)}" if job.phase != "ready" else ""
    return f"{job.line} ({job.job}, rule {job.rule}): {job.phase}{since}{why}{moved}{mend}"


def _wait_words(wait: WaitShape, status: StatusShape) -> str:
    ran = ""
    if wait.ran_s is not None and wait.wanted_s is not None:
        ran = f": {show_s(wait.ran_s)} of {show_s(wait.wanted_s)}"
    if wait.holds == "unknown" and wait.fires_at is None:
        ran += ", stands still: something is not known now"
    return f"{wait.rule}{ran}{fires_words(wait, status)}"


def fires_words(wait: WaitShape, status: StatusShape) -> str:
    """`, fires Tue 01 Dec 18:00 if nothing changes`."""
    if wait.fires_at is None:
        return ""
    if wait.fires_at > status.now:
        return f", fires {show_at(wait.fires_at)}"
    return ", fires now" if status.service.running else ", fires at the next start"


def _station_lines(station: StationShape, status: StatusShape, paint: Paint) -> Iterator[str]:
    on_it = f"{station.pack} is on it" if station.pack else "free"
    yield from fold("", f"station {station.station}: {on_it}")
    if station.locked is not None:
        mend = f"; look at it, then `carerules release {station.station}`"
        yield from _painted(paint, "alarm", _row("locked", f"{station.locked}{mend}"))
    for plug in station.plugs:
        tone = {"off": "seen", "on": "done"}.get(plug.state, "alarm")
        yield from _painted(paint, tone, _row(plug.side, _plug_words(plug, status)))
        if plug.unguarded is not None:
            yield from _painted(paint, "tell", _row("guard", f"none: {plug.unguarded}"))


def _calendar_lines(one: CalendarCopyShape, paint: Paint) -> Iterator[str]:
    about = f"calendar {one.calendar}: "
    if one.good_at is None:
        yield from _painted(paint, "tell", fold(about, "not read yet, and there is no copy"))
    elif one.why is not None:
        words = f"{one.why}; its copy of {show_at(one.good_at)} holds"
        yield from _painted(paint, "tell", fold(about, words))
    else:
        yield from fold(about, f"last read {show_at(one.good_at)}")


def _plug_words(plug: PlugShape, status: StatusShape) -> str:
    words = {
        "off": "off, read back",
        "on": "on",
        "off unproven": "NOT proved off",
        "on unasked": "ON though nobody here asked for it",
    }[plug.state]
    if plug.state == "on" and not status.service.running:
        words = "was on when last heard, on"  # its own timer has long had the word
    if plug.on_since is not None:
        words += f" since {show_at(plug.on_since)}"
    if plug.power_w is not None and plug.state != "off":
        words += f", {plug.power_w:.0f} W"
    if not plug.reached:
        words += "; it cannot be reached"
    if plug.heard is None:
        return f"{plug.plug} {words}; it was never heard"
    age = (status.now - plug.heard).total_seconds()
    return f"{plug.plug} {words} ({show_s(age)} ago)"


def _counts(status: StatusShape) -> str:
    counts = [
        (status.entries_waiting, "entry not yet taken in", "entries not yet taken in"),
        (status.refused, "message or entry refused", "messages or entries refused"),
        (status.left_out, "sample left out as too late", "samples left out as too late"),
        (status.damaged_rows, "row of the journal does not read back and is left out",
         "rows of the journal do not read back and are left out"),
    ]  # fmt: skip
    return "; ".join(f"{number} {one if number == 1 else more}"
                     for number, one, more in counts if number)  # fmt: skip


def _row(label: str, text: str) -> list[str]:
    return fold(f"  {label:{_LABEL - 2}}", text)


def _painted(paint: Paint, tone: str, lines: Sequence[str]) -> list[str]:
    return [paint(tone, line) for line in lines]

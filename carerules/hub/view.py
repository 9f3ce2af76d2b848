"""A world as a hub sees it: one device for each pack, each station, and the site.

Knows worlds and what is worth a look from across the room. Does not know topics.
A retired pack is no device any more: nobody shall place it on a station from a hub.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from carerules.adapters import HAPPENINGS, RECORD_BOUNDS
from carerules.domain.frozen import guarded
from carerules.domain.moment import HOUR, Moment
from carerules.domain.pack import FULL_PERCENT, Pack, Site
from carerules.domain.quantity import Known
from carerules.domain.spelling import counted
from carerules.hub.model import (
    About,
    Device,
    Group,
    Held,
    House,
    Kind,
    Property,
    root_id,
    slug,
    slugs,
)
from carerules.loop import World, say_chore
from carerules.report import PackShape, StationShape, pack_now, station_now

NOWHERE = "no station"
"""The choice of a pack that is on no station."""
NOTHING = "nothing"
CHORE = "chore"
CHORE_KINDS = ("opened", "closed")


@guarded
class Places:
    """The short names of a site's things: of packs and stations, and of the site at the broker.

    `controls`: what a hub may do beyond stopping everything is shown.
    """

    key: str
    packs: Mapping[str, str]
    stations: Mapping[str, str]
    controls: bool

    def pack(self, name: str) -> str:
        """The place of a pack's device."""
        return f"pack-{self.packs[name]}"

    def station(self, name: str) -> str:
        """The place of a station's device."""
        return f"station-{self.stations[name]}"

    def id(self, place: str) -> str:
        """A device's name, told apart from those of everybody else at the broker."""
        return f"{self.root}-{place}"

    @property
    def root(self) -> str:
        """The name of the site's own device."""
        return root_id(self.key)


def places_of(site: Site, key: str, *, controls: bool) -> Places:
    """The places of a site; `key` empty: made of its name."""
    return Places(key or slug(site.name), slugs(site.packs), slugs(site.stations), controls)


def house_of(places: Places, site: Device, packs: Iterable[Device], stations: Iterable[Device]
             ) -> House:  # fmt: skip
    """The house of these devices."""
    return House(places.key, (site, *packs, *stations))


# ---- a pack ----------------------------------------------------------------------------------


@guarded
class PackSeen:
    """What a pack's rows are read from. `full_since`: since when it has been full."""

    shape: PackShape
    world: World
    full_since: Moment | None

    def reading(self, signal: str) -> float | None:
        """A signal's value while it is fresh."""
        found = self.world.packs[self.shape.pack].estimate.readings.get(signal)
        max_age = self.world.setup.signals[signal].max_age
        if not isinstance(found, Known):
            return None
        fresh = max_age is None or self.world.now - found.at <= max_age
        return found.value_at(self.world.now) if fresh else None


@guarded
class Row:
    """A property that every pack has, and how it is read."""

    id: str
    name: str
    kind: Kind
    read: Callable[[PackSeen], Held]
    unit: str = ""
    about: About = About.PLAIN
    digits: int = 1


def _full_hours(seen: PackSeen) -> float | None:
    if seen.shape.charge.soc_percent is None:
        return None
    return 0.0 if seen.full_since is None else (seen.world.now - seen.full_since) / HOUR


def _waits(seen: PackSeen) -> str:
    """Its job, or else the rule that fires next."""
    for job in seen.shape.jobs:
        return f"{job.line}: {job.phase}" + (f", {job.why}" if job.why else "")
    return seen.shape.waits[0].rule if seen.shape.waits else NOTHING


def _next_due(seen: PackSeen) -> Held:
    fires = [wait.fires_at for wait in seen.shape.waits if wait.fires_at is not None]
    return min(fires, default=None)


PACK_ROWS: tuple[Row, ...] = (
    Row("charge", "Charge", Kind.NUMBER, lambda s: s.shape.charge.soc_percent, "%", About.CHARGE),
    Row("charge-spread", "Charge, spread", Kind.NUMBER, lambda s: s.shape.charge.spread_percent,
        "%"),
    Row("voltage", "Voltage", Kind.NUMBER, lambda s: s.reading("pack.voltage"), "V",
        About.VOLTAGE, 2),
    Row("cell-lowest", "Lowest cell", Kind.NUMBER, lambda s: s.reading("pack.cell.min"), "V",
        About.VOLTAGE, 3),
    Row("cell-highest", "Highest cell", Kind.NUMBER, lambda s: s.reading("pack.cell.max"), "V",
        About.VOLTAGE, 3),
    Row("cell-spread", "Cells apart", Kind.NUMBER, lambda s: s.reading("pack.cell.spread"), "V",
        About.VOLTAGE, 3),
    Row("temperature", "Temperature", Kind.NUMBER, lambda s: s.reading("pack.temperature"), "°C",
        About.TEMPERATURE),
    Row("health", "Health", Kind.NUMBER, lambda s: s.shape.health.capacity_percent, "%"),
    Row("full-for", "Full for", Kind.NUMBER, _full_hours, "h", About.DURATION),
    Row("waits", "Waits for", Kind.TEXT, _waits),
    Row("next-due", "Next due", Kind.MOMENT, _next_due),
    Row("next-use", "Next use", Kind.MOMENT,
        lambda s: None if s.shape.next_use is None else s.shape.next_use.start),
    Row("alarm", "Alarm", Kind.TRUTH, lambda s: bool(_pack_alarms(s.shape)), about=About.TROUBLE),
    Row("alarm-text", "Alarm, in words", Kind.TEXT,
        lambda s: "; ".join(_pack_alarms(s.shape).values()) or NOTHING),
)  # fmt: skip
"""What a hub shows of a pack. A row more is a value more, in every convention."""


def _pack_alarms(shape: PackShape) -> Mapping[str, str]:
    said = {"barred": shape.barred, "retired": shape.retired, "doubt": shape.doubt}
    return {word: why for word, why in said.items() if why}


RECORDS: tuple[tuple[str, str, str, str, About], ...] = (
    ("soc", "Charge read off", "%", "pack.soc", About.CHARGE),
    ("voltage", "Voltage read off", "V", "pack.voltage", About.VOLTAGE),
    ("temperature", "Temperature read off", "°C", "pack.temperature", About.TEMPERATURE),
    ("capacity", "Capacity counted", "Ah", "pack.capacity", About.PLAIN),
)
"""Numbers that a person reads off, by the word that `carerules record` has for each."""


def pack_device(world: World, name: str, places: Places, full_since: Moment | None) -> Device:
    """The device of one pack."""
    shape = pack_now(world, name)
    seen = PackSeen(shape, world, full_since)
    shown = [
        Property(row.id, row.name, row.kind, value=row.read(seen), unit=row.unit,
                 about=row.about, digits=row.digits)
        for row in PACK_ROWS
    ]  # fmt: skip
    shown.append(Property(CHORE, "Chore", Kind.HAPPENING, options=CHORE_KINDS))
    if places.controls:
        shown += _controls(world.setup.site, shape)
        shown += _records(world.setup.site.packs[name], seen)
    what = f"{shape.chemistry}, {counted(shape.cells, 'cell')}, {shape.capacity_ah:g} Ah"
    return Device(places.id(places.pack(name)), places.pack(name), name, what, tuple(shown),
                  _pack_alarms(shape))  # fmt: skip


def _controls(site: Site, shape: PackShape) -> list[Property]:
    control = Group.CONTROL
    found = [
        Property("drain-to-storage", "Drain to storage", Kind.BUTTON, control, settable=True),
        Property("make-ready", "Make ready", Kind.BUTTON, control, settable=True),
    ]
    if site.stations:
        options = (NOWHERE, *site.stations)
        here = shape.station or NOWHERE
        found.append(Property("place", "On station", Kind.CHOICE, control, here, settable=True,
                              options=options))  # fmt: skip
    return found


def _records(pack: Pack, seen: PackSeen) -> list[Property]:
    found = [
        Property(word, word.capitalize(), Kind.BUTTON, Group.RECORD, settable=True)
        for word in HAPPENINGS
    ]
    for word, title, unit, signal, about in RECORDS:
        low, high, step = RECORD_BOUNDS[word](pack)
        digits = 2 if step < 0.1 else 1
        now = seen.reading(signal)
        # A form refuses to show what it would not take; the pack's own value shows it.
        shown = now if now is not None and low <= now <= high else None
        found.append(Property(word, title, Kind.NUMBER, Group.RECORD, shown, unit,
                              about, True, (), low, high, step, digits))  # fmt: skip
    found.append(Property("cells", "Cells read off, one by one", Kind.TEXT, Group.RECORD,
                          settable=True))  # fmt: skip
    return found


def full_since(world: World, name: str, before: Moment | None) -> Moment | None:
    """Since when the pack has been full, where it is; `before`: what was known of that.

    A pack met full counts from when a person or its charger last said so, else from now.
    """
    soc = world.packs[name].soc
    if not isinstance(soc, Known) or soc.value_at(world.now) < FULL_PERCENT:
        return None
    if before is not None:
        return before
    happened = world.packs[name].happened
    said, left = (happened.get(what, ()) for what in ("full", "use"))
    if said and not (left and left[-1] > said[-1]):
        return said[-1]
    return world.now


# ---- a station -------------------------------------------------------------------------------


def station_device(world: World, name: str, places: Places) -> Device:
    """The device of one station."""
    shape = station_now(world, name)
    alarms = _station_alarms(shape)
    shown = [
        Property("pack", "Pack here", Kind.TEXT, value=shape.pack or NOTHING),
        Property("reached", "Plugs reached", Kind.TRUTH,
                 value=all(plug.reached for plug in shape.plugs)),
    ]  # fmt: skip
    for plug in shape.plugs:
        side = plug.side
        shown += [
            Property(side, f"{side.capitalize()} plug", Kind.TEXT, value=plug.state),
            Property(f"{side}-power", f"{side.capitalize()} power", Kind.NUMBER,
                     value=plug.power_w, unit="W", about=About.POWER),
        ]  # fmt: skip
    shown += [
        Property("alarm", "Alarm", Kind.TRUTH, value=bool(alarms), about=About.TROUBLE),
        Property("alarm-text", "Alarm, in words", Kind.TEXT,
                 value="; ".join(alarms.values()) or NOTHING),
    ]  # fmt: skip
    place = places.station(name)
    return Device(places.id(place), place, f"station {name}", "station", tuple(shown), alarms)


def _station_alarms(shape: StationShape) -> Mapping[str, str]:
    alarms = {} if shape.locked is None else {"locked": shape.locked}
    for plug in shape.plugs:
        if plug.state == "on unasked":
            alarms[f"{plug.side}-unasked"] = f"{plug.plug} is on though nobody here asked for it"
    return alarms


# ---- the site --------------------------------------------------------------------------------


def site_device(
    world: World, places: Places, answer: str = "", dropped: int = 0, faulted: str = ""
) -> Device:
    """The device of the site itself. `answer`: what became of the hub's last order; `dropped`: how
    many were not obeyed; `faulted`: why the service can switch nothing on."""
    alarms = {"stopped": world.stopped, "faulted": faulted}
    alarms = {word: why for word, why in alarms.items() if why}
    chores = sorted(world.chores.values(), key=lambda chore: (chore.since, chore.key))
    uses = sorted(use.start for use in world.uses.values() if use.start >= world.now)
    here = world.attended_until > world.now
    shown = (
        Property("chores", "Chores", Kind.NUMBER, value=float(len(chores)), digits=0),
        Property("first-chore", "First chore", Kind.TEXT,
                 value=say_chore(chores[0], world) if chores else NOTHING),
        Property("next-use", "Next use", Kind.MOMENT,
                 value=world.local.read(uses[0]) if uses else None),
        Property("attended", "Somebody is there", Kind.TRUTH, value=here),
        Property("refused", "Messages refused", Kind.NUMBER, value=float(world.refused), digits=0),
        Property("dropped", "Orders not obeyed", Kind.NUMBER, value=float(dropped), digits=0),
        Property("answer", "Last answer", Kind.TEXT, value=answer or NOTHING),
        Property("alarm", "Alarm", Kind.TRUTH, value=bool(alarms), about=About.TROUBLE),
        Property("alarm-text", "Alarm, in words", Kind.TEXT,
                 value="; ".join(alarms.values()) or NOTHING),
        Property(CHORE, "Chore", Kind.HAPPENING, options=CHORE_KINDS),
        Property("stop", "Stop everything", Kind.BUTTON, Group.CONTROL, settable=True),
    )  # fmt: skip
    site = world.setup.site
    what = f"{counted(len(site.packs), 'pack')}, {counted(len(site.stations), 'station')}"
    return Device(places.root, "site", site.name, what, shown, alarms)


def shown_packs(world: World) -> tuple[str, ...]:
    """The packs that are devices: not the retired ones."""
    return tuple(name for name, state in world.packs.items() if not state.retired)


def shown_stations(world: World) -> tuple[str, ...]:
    """The stations, which all are."""
    return tuple(world.setup.site.stations)

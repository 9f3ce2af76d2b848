"""Short nights under trouble: the real service on a virtual site, and an observer of the truth.

A night is drawn from its seed: packs, rules, people's acts, and up to three troubles at random
moments. The observer looks at contacts and cells as they are, never at what anybody says of them,
and takes down each breach of the safety contract. `python nights.py SEED [KIND]` plays one night
again and prints it.

What the observer holds the program to (SAFETY 1, 4, 9, 10, 11):
  floor     while a load's contact is closed, no cell stays below its floor for longer than 95 s
  lease     a contact is open at most 95 s after the service last made a step
  both      a station's load and charger are never closed at once
  caps      one closed stretch: at most 4 h, and at most its energy cap and what 95 s more move
  charger   no charger closes while nobody is there
  told      a contact that stays closed 35 s after OFF was wanted: an urgent notice, and a station
            that is locked
Outside the contract, and so excused from what they break: a welded contact and a stranger who keeps
sending ON (both must be told, and lock the station), and a plug whose own timer does not open it.
A plug that answers OFF and 0 W while it stays closed cannot be told of.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC
from random import Random

from kit import BEGIN, CHEMISTRIES, setup_of

from carerules.domain.decision import (
    Command,
    Notice,
    Outcome,
    StationLocked,
    SwitchOff,
    SwitchOn,
)
from carerules.domain.event import (
    Attended,
    Cancelled,
    ClockSet,
    Event,
    Placed,
    PlugLink,
    PlugReport,
    Released,
    Sample,
    Started,
    Stopped,
    Tick,
)
from carerules.domain.moment import HOUR, MINUTE, SECOND, LocalTime, Moment
from carerules.domain.pack import Pack, Plug, Side, Site, Socket, Station
from carerules.domain.ports import JournalError
from carerules.loop import World, new_world, next_due
from carerules.service import Service, dump_world, restore
from carerules.sim import Fault, VirtualOutside, VirtualPack, VirtualSettings, VirtualSite

LEASE_ENDS = 95 * SECOND
POLL = 5 * SECOND
"""The observer looks at least this often."""
TIMER_FAULTS = (Fault.TIMER_MISSING, Fault.TIMER_LONG, Fault.HANGS, Fault.WELDED)
"""With these a plug does not open by itself: the lease is not held to."""

RULES = (
    "rule low\n    when pack.soc > 60 %: drain to 6 %\n",
    "rule exercise\n    when pack.soc > 55 %:\n        drain to 40 %\n        rest 2 min\n"
    "        charge to 60 %\n",
    "rule deep\n    when pack.soc > 50 % for 5 min: drain to 5 %\n"
    "rule half over deep\n    when pack.soc > 70 % for 20 min: drain to 50 %\n",
    "never drain when pack.temperature > 32 °C for 2 min\n"
    "rule storage\n    when pack.soc > 55 %: drain to 45 %\n"
    "rule top\n    when pack.soc < 30 %: charge to 50 %\n",
)


class Killed(BaseException):
    """The service is gone between one instruction and the next."""


class MemoryJournal:
    """A journal that keeps what was committed, and can fail or be the place of a kill."""

    def __init__(self) -> None:
        self.kept: list[tuple[int, Event, list[Outcome]]] = []
        self.shots: list[tuple[int, str]] = []
        self._pending: list[tuple[Event, list[Outcome]]] = []
        self.fail_next = ""

    def write(self, event: Event, outcomes: Sequence[Outcome]) -> None:
        if self.fail_next == "write":
            self.fail_next = ""
            raise JournalError("no space left")
        self._pending.append((event, list(outcomes)))

    def commit(self) -> None:
        found, self.fail_next = self.fail_next, ""
        if found == "commit":
            raise JournalError("the disk does not answer")
        if found == "kill before commit":
            self._pending.clear()
            raise Killed
        for event, outcomes in self._pending:
            self.kept.append((len(self.kept) + 1, event, outcomes))
        self._pending.clear()
        if found == "kill after commit":
            raise Killed

    def snapshot(self, world: World) -> None:
        self.shots = [(len(self.kept), dump_world(world)), *self.shots][:3]

    def events(self, after_seq: int = 0):
        return iter([(seq, event) for seq, event, _ in self.kept if seq > after_seq])

    def outcomes(self, after_seq: int = 0):
        return iter([(seq, one) for seq, _, outs in self.kept if seq > after_seq for one in outs])

    def snapshots(self):
        return list(self.shots)


@dataclass
class Observer:
    """Sees the truth, at least every few seconds, and takes down what must not be."""

    site: VirtualSite
    breaches: list[str] = field(default_factory=list)
    stepped_at: Moment = BEGIN
    closed_since: dict[str, Moment] = field(default_factory=dict)
    moved_wh: dict[str, float] = field(default_factory=dict)
    cap_wh: dict[str, float] = field(default_factory=dict)
    below_since: dict[str, Moment] = field(default_factory=dict)
    attended_until: Moment = 0
    excused: set[str] = field(default_factory=set)
    liars: set[str] = field(default_factory=set)
    off_wanted: dict[str, Moment] = field(default_factory=dict)
    told: dict[str, Moment] = field(default_factory=dict)
    seen_at: Moment = BEGIN
    worst_below_s: float = 0.0
    worst_after_stop_s: float = 0.0
    locked_at: dict[str, Moment] = field(default_factory=dict)

    def breach(self, what: str) -> None:
        kind = what.split(":", maxsplit=1)[0]
        if not any(one.split(": ", 1)[1].startswith(kind) for one in self.breaches):
            self.breaches.append(f"{(self.site.now - BEGIN) / SECOND:.1f} s: {what}")

    def look(self) -> None:
        site, now = self.site, self.site.now
        bench = site.bench
        passed = now - self.seen_at
        for plug, truth in bench.plugs.items():
            station, side = bench.side_of[plug]
            if not truth.closed:
                self.closed_since.pop(plug, None)
                self.below_since.pop(plug, None)
                self.off_wanted.pop(plug, None)
                continue
            since = self.closed_since.setdefault(plug, now)
            if since == now:
                self.moved_wh[plug] = 0.0
            pack = bench.pack_at(station)
            if pack is not None:
                site.bring(pack)
            self.moved_wh[plug] += bench.power_w(plug) * passed / HOUR
            self._judge(plug, station, side, pack, since, now)
        for station in site.site.stations.values():
            plugs = [socket.plug for side in Side if (socket := station.socket(side))]
            excused = self.excused.intersection(plugs)
            if not excused and all(bench.plugs[plug].closed for plug in plugs):
                self.breach(f"both: load and charger of {station.name} are closed")
        self.seen_at = now

    def _judge(self, plug, station, side, pack, since: Moment, now: Moment) -> None:
        wanted = self.off_wanted.get(plug)
        if wanted is not None and now - wanted > 35 * SECOND and plug not in self.liars:
            if self.told.get(plug, 0) < wanted:
                self.breach(f"told: {plug} closed 35 s after OFF was wanted, nobody was told")
            elif station not in self.locked_at:
                self.breach(f"told: {plug} closed 35 s after OFF was wanted, {station} not locked")
        if plug in self.excused:
            return
        if side is Side.CHARGER and now > self.attended_until + 30 * SECOND:
            self.breach(f"charger: {plug} closed and nobody is there")
        after = now - self.stepped_at
        self.worst_after_stop_s = max(self.worst_after_stop_s, after / SECOND)
        if after > LEASE_ENDS + POLL:
            self.breach(f"lease: {plug} closed {after / SECOND:.0f} s after the last step")
        if now - since > 4 * HOUR + LEASE_ENDS:
            self.breach(f"caps: {plug} closed for {(now - since) / HOUR:.2f} h")
        socket = self.site.site.stations[station].socket(side)
        cap = self.cap_wh.get(plug)
        over = 1.2 * socket.power_w * LEASE_ENDS / HOUR
        if cap is not None and self.moved_wh[plug] > 1.02 * cap + over:
            self.breach(f"caps: {plug} moved {self.moved_wh[plug]:.1f} Wh, cap {cap:.1f} Wh")
        if side is Side.LOAD and pack is not None:
            floor = self.site.site.packs[pack].limits.cell_v_floor
            lowest = min(self.site.bench.packs[pack].cell_v)
            if lowest >= floor:
                self.below_since.pop(plug, None)
                return
            low_for = now - self.below_since.setdefault(plug, now)
            self.worst_below_s = max(self.worst_below_s, low_for / SECOND)
            if low_for > LEASE_ENDS + POLL:
                self.breach(f"floor: {pack} at {lowest:.3f} V for {low_for / SECOND:.0f} s")


class TroubledOutside(VirtualOutside):
    """The outside with an observer, whose samples can be spoiled on their way."""

    def __init__(self, site: VirtualSite, observer: Observer) -> None:
        super().__init__(site)
        self.observer = observer
        self.spoil: dict[str, Callable[[Sample], Sample | None]] = {}
        self.acts: list[tuple[Moment, Callable[[], Sequence[Event]]]] = []
        self.deaf: set[str] = set()

    def wait(self, due: Moment) -> Sequence[Event]:
        due = max(due, self.world.now)
        while True:
            act_at = self.acts[0][0] if self.acts else due
            target = min(due, act_at, self.world.now + POLL)
            heard = list(super().wait(max(target, self.world.now)))
            self.observer.look()
            heard = [got for event in heard if (got := self._spoilt(event)) is not None]
            while self.acts and self.acts[0][0] <= self.world.now:
                heard += self.acts.pop(0)[1]()
            told = [event for event in heard if not isinstance(event, Tick)]
            if told or self.world.now >= due:
                return told or [Tick(self.world.now)]

    def _spoilt(self, event: Event) -> Event | None:
        if isinstance(event, Sample) and event.pack in self.spoil:
            return self.spoil[event.pack](event)
        if isinstance(event, (PlugReport, PlugLink)) and event.plug in self.deaf:
            return None
        return event

    def perform(self, command: Command) -> None:
        observer = self.observer
        if isinstance(command, SwitchOff):
            observer.off_wanted.setdefault(command.plug, self.world.now)
        elif isinstance(command, SwitchOn):
            observer.off_wanted.pop(command.plug, None)
        if command.plug not in self.deaf:
            super().perform(command)


# ---- a night from its seed -------------------------------------------------------------------


def site_of(chance: Random) -> Site:
    limits = CHEMISTRIES["lipo"].limits
    blind = chance.random() < 0.25
    names = ("heron", "egret")
    sizes_ah = (chance.choice([2.5, 5.0]), chance.choice([5.0, 16.0]))
    packs = {
        name: Pack(name, "lipo", 6, ah, limits) for name, ah in zip(names, sizes_ah, strict=True)
    }
    stations = {
        f"bench-{i}": Station(
            f"bench-{i}", Socket(f"load-{i}", 60.0), Socket(f"charger-{i}", 90.0), blind=blind
        )
        for i in (1, 2)
    }
    plugs = {
        name: Plug(name, "virtual", timer_shown=chance.random() < 0.8)
        for i in (1, 2)
        for name in (f"load-{i}", f"charger-{i}")
    }
    return Site("night", LocalTime(UTC), packs, stations, plugs, virtual=True)


@dataclass
class Night:
    """One night, played. `lines` tell it, `breaches` what must not have been."""

    seed: int
    length: int = 100 * MINUTE
    kind: str = ""
    lines: list[str] = field(default_factory=list)
    ons: int = 0
    kills: int = 0
    troubles: list[str] = field(default_factory=list)

    def play(self, only: Callable[[str], bool] = lambda _: True) -> Observer:
        chance = Random(f"night {self.seed}")
        site = site_of(chance)
        setup = setup_of(chance.choice(RULES), site)
        packs = {
            name: VirtualPack(
                soc=chance.uniform(20, 100),
                station=f"bench-{i}",
                feed=not (site.stations["bench-1"].blind and chance.random() < 0.5),
                # Cells no further apart than what is allowed for where they are not seen.
                uneven=chance.choice([0.5, 1, 2]),
                health=chance.uniform(75, 100),
                off_curve=chance.uniform(-1.5, 1.5),
            )
            for i, name in ((1, "heron"), (2, "egret"))
        }
        settings = VirtualSettings(
            start=BEGIN,
            packs=packs,
            load_cutoff_v=1.0,
            room_c=chance.choice([20.0, 20.0, 31.0, 3.0]),
        )
        virtual = VirtualSite(site, CHEMISTRIES, settings, self.seed)
        observer = Observer(virtual)
        self.outside = TroubledOutside(virtual, observer)
        self.journal = MemoryJournal()
        self.setup, self.observer = setup, observer
        self.down_until: Moment | None = None
        self._draw_troubles(chance)
        service = self._service(new_world(setup, BEGIN))
        self._run(service, [Started(BEGIN)], BEGIN + self.length)
        return observer

    # ---- the service, killed and begun anew --------------------------------------------------

    def _service(self, world: World) -> Service:
        snapshot = self.journal.snapshot
        return Service(world, self.outside, self.journal, self._told, snapshot=snapshot)

    def _run(self, service: Service, first: list[Event], until: Moment) -> None:
        outside, observer = self.outside, self.observer
        pending: Sequence[Event] = first
        while outside.now() < until:
            try:
                service.take(pending)
                observer.stepped_at = outside.now()
                self._note_caps(service.world)
                if self.down_until is not None:
                    raise Killed
                due = min(next_due(service.world), service.world.now + MINUTE, until)
                pending = outside.wait(due)
            except Killed:
                self.kills += 1
                lasts, self.down_until = self.down_until or outside.now() + 40 * SECOND, None
                down_since = outside.now()
                self.lines.append(f"{self._at()} killed")
                while outside.now() < min(lasts, until):
                    outside.wait(min(lasts, outside.now() + POLL))
                world = restore(self.journal, self.setup, outside.now())
                service = self._service(world)
                pending = [Started(max(outside.now(), world.now), 0, outside.now() - down_since)]
        self.final = service.world

    def _note_caps(self, world: World) -> None:
        for station in world.setup.site.stations.values():
            for side in Side:
                plug = station.socket(side).plug
                if world.plugs[plug].on_at is not None:
                    self.observer.cap_wh[plug] = world.stations[station.name].dwell.energy_wh_max

    def _at(self) -> str:
        return f"{(self.outside.now() - BEGIN) / SECOND:9.1f}"

    def _told(self, event: Event, outcomes: Sequence[Outcome], world: World) -> None:
        for one in outcomes:
            if isinstance(one, SwitchOn) and not one.renewal:
                self.ons += 1
            if isinstance(one, Notice) and one.urgent:
                for plug in world.plugs:
                    if plug in one.text or plug in one.key:
                        self.observer.told[plug] = self.outside.now()
            if isinstance(one, StationLocked):
                self.observer.locked_at[one.station] = self.outside.now()
            if not (isinstance(one, SwitchOn) and one.renewal) and type(one).__name__ != "AskPlug":
                self.lines.append(f"{self._at()} {one}")

    # ---- troubles ----------------------------------------------------------------------------

    def _draw_troubles(self, chance: Random) -> None:
        acts: list[tuple[Moment, Callable[[], Sequence[Event]]]] = []
        kinds = list(TROUBLES)
        count = chance.choices((1, 2, 3), (4, 4, 2))[0]
        for place in range(count):
            kind = chance.choice(kinds)
            if self.kind and not place:
                kind = self.kind
            at = BEGIN + chance.randrange(30 * SECOND, self.length - 10 * MINUTE)
            self.troubles.append(f"{(at - BEGIN) / SECOND:.1f} s {kind}")
            acts += [(at, TROUBLES[kind](self, chance))]
        if chance.random() < 0.6:
            at = BEGIN + chance.randrange(self.length // 2)
            acts.append((at, lambda: self._attend(chance)))
        self.outside.acts = sorted(acts, key=lambda act: act[0])

    def _later(self, after: int, act: Callable[[], Sequence[Event]]) -> None:
        self.outside.acts = sorted(
            [*self.outside.acts, (self.outside.now() + after, act)], key=lambda act: act[0]
        )

    def _attend(self, chance: Random) -> Sequence[Event]:
        now = self.outside.now()
        until = now + chance.randrange(5 * MINUTE, HOUR)
        self.observer.attended_until = until
        return [Attended(now, until)]


Act = Callable[[], Sequence[Event]]


def plug_fault(fault: Fault) -> Callable[[Night, Random], Act]:
    def draw(night: Night, chance: Random) -> Act:
        plug = chance.choice(["load-1", "load-2", "load-1", "load-2", "charger-1", "charger-2"])
        mends = chance.random() < 0.5
        after = chance.randrange(20 * SECOND, 20 * MINUTE)

        def act() -> Sequence[Event]:
            night.lines.append(f"{night._at()} {plug} begins: {fault.value}")
            night.outside.world.wires.fail(plug, fault)
            if fault in TIMER_FAULTS:
                night.observer.excused.add(plug)
            if fault is Fault.LIES:  # it says off and 0 W: nothing but its timer helps, nor tells
                night.observer.liars.add(plug)
            if mends:
                night._later(after, mend)
            return []

        def mend() -> Sequence[Event]:
            night.outside.world.wires.mend(plug, fault)
            night.lines.append(f"{night._at()} {plug} mended: {fault.value}")
            return []

        return act

    return draw


SWAP = (("egret", None), ("heron", "bench-2"), ("egret", "bench-1"))


def with_values(sample: Sample, change: Callable[[float], float]) -> Sample:
    values = tuple(replace(value, value=change(value.value)) for value in sample.values)
    return replace(sample, cells=tuple(map(change, sample.cells)), values=values)


def telemetry(kind: str) -> Callable[[Night, Random], Act]:
    def draw(night: Night, chance: Random) -> Act:
        pack = chance.choice(["heron", "egret"])
        lasts = chance.randrange(30 * SECOND, 30 * MINUTE)
        held: dict[str, Sample] = {}

        def spoil(sample: Sample) -> Sample | None:
            match kind:
                case "frozen":
                    last = held.setdefault("last", sample)
                    return replace(last, heard=sample.heard, at=sample.at)
                case "missing":
                    return None
                case "nan":
                    return with_values(sample, lambda value: float("nan"))
                case "cells missing":
                    return replace(sample, cells=())
                case "milli":
                    return with_values(sample, lambda value: value * 1_000)
                case "late":
                    return replace(sample, at=sample.at - 25 * SECOND)
                case "very late":
                    return replace(sample, at=sample.at - 5 * MINUTE)
                case "voltage only":
                    return replace(
                        sample,
                        cells=(),
                        values=tuple(v for v in sample.values if v.signal == "pack.voltage"),
                    )
                case "temperature only":
                    return replace(
                        sample,
                        cells=(),
                        values=tuple(v for v in sample.values if v.signal == "pack.temperature"),
                    )
                case _:
                    raise AssertionError(kind)

        def act() -> Sequence[Event]:
            night.lines.append(f"{night._at()} telemetry of {pack}: {kind}")
            night.outside.spoil[pack] = spoil
            night._later(lasts, mend)
            return []

        def mend() -> Sequence[Event]:
            night.outside.spoil.pop(pack, None)
            night.lines.append(f"{night._at()} telemetry of {pack} is back")
            return []

        return act

    return draw


def killed(_night: Night, chance: Random) -> Act:
    night = _night
    lasts = chance.choice([2 * SECOND, 30 * SECOND, 5 * MINUTE, 20 * MINUTE])

    def act() -> Sequence[Event]:
        night.down_until = night.outside.now() + lasts
        return []

    return act


def journal(what: str) -> Callable[[Night, Random], Act]:
    def draw(night: Night, chance: Random) -> Act:
        restarts = chance.random() < 0.7
        after = chance.randrange(MINUTE, 20 * MINUTE)

        def act() -> Sequence[Event]:
            night.journal.fail_next = what
            night.lines.append(f"{night._at()} journal: {what}")
            if restarts:
                night._later(after, killed(night, Random(after)))
            return []

        return act

    return draw


def partition(night: Night, chance: Random) -> Act:
    plug = chance.choice(["load-1", "load-2"])
    lasts = chance.randrange(10 * SECOND, 20 * MINUTE)

    def act() -> Sequence[Event]:
        night.outside.deaf.add(plug)
        night.lines.append(f"{night._at()} no way to {plug}")
        night._later(lasts, mend)
        return []

    def mend() -> Sequence[Event]:
        night.outside.deaf.discard(plug)
        return []

    return act


def clock(night: Night, chance: Random) -> Act:
    offset = chance.choice([HOUR, -2 * HOUR, 30 * SECOND])
    asleep = chance.choice([0, 0, 3 * SECOND, 10 * MINUTE])

    def act() -> Sequence[Event]:
        slept = night.outside.now() + asleep
        while night.outside.now() < slept:  # nobody listens meanwhile
            night.outside.world.advance_once(min(slept, night.outside.now() + POLL))
            night.observer.look()
        return [ClockSet(night.outside.now(), offset, asleep)]

    return act


def person(kind: str) -> Callable[[Night, Random], Act]:
    def draw(night: Night, chance: Random) -> Act:
        pick = chance.random()

        def act() -> Sequence[Event]:
            now, site = night.outside.now(), night.outside.world
            night.lines.append(f"{night._at()} person: {kind}")
            match kind:
                case "swap":
                    events: list[Event] = []
                    for pack, station in SWAP:
                        site.place(pack, station)
                        events.append(Placed(now, pack, station))
                    return events
                case "swap untold":
                    for pack, station in SWAP:
                        site.place(pack, station)
                    return []
                case "replace":
                    site.place("egret", "bench-1")
                    return [Placed(now, "egret", "bench-1")]
                case "take off":
                    site.place("heron", None)
                    return [Placed(now, "heron", None)]
                case "stop":
                    return [Stopped(now, "a person")]
                case "cancel":
                    return [Cancelled(now, f"heron-{1 + int(pick * 3)}")]
                case _:
                    return [Released(now, what) for what in ("site", "bench-1", "heron")]

        return act

    return draw


def rogue(night: Night, chance: Random) -> Act:
    plug = chance.choice(["load-1", "load-2"])
    times = chance.choice([1, 2, 10])

    def act(left: int = times) -> Sequence[Event]:
        night.observer.excused.add(plug)
        night.lines.append(f"{night._at()} a stranger switches {plug} on")
        night.outside.world.send(SwitchOn(plug, 90, "stranger", 0, False))
        night.observer.off_wanted.setdefault(plug, night.outside.now())
        if left > 1:
            night._later(12 * SECOND, lambda: act(left - 1))
        return []

    return act


TROUBLES: dict[str, Callable[[Night, Random], Act]] = {
    **{f"plug {fault.value}": plug_fault(fault) for fault in Fault},
    **{
        f"telemetry {kind}": telemetry(kind)
        for kind in ("frozen", "missing", "nan", "cells missing", "milli", "late", "very late",
                     "voltage only", "temperature only")
    },
    "killed": killed,
    **{
        f"journal {what}": journal(what)
        for what in ("write", "commit", "kill before commit", "kill after commit")
    },
    "partition": partition,
    "clock": clock,
    **{f"person {kind}": person(kind)
       for kind in ("swap", "swap untold", "replace", "take off", "stop", "cancel", "release")},
    "stranger": rogue,
}  # fmt: skip


def main() -> None:
    night = Night(int(sys.argv[1]), kind=" ".join(sys.argv[2:]))
    observer = night.play()
    print("\n".join(night.lines))
    print("troubles:", "; ".join(night.troubles))
    print("breaches:", "; ".join(observer.breaches) or "none")


if __name__ == "__main__":
    main()

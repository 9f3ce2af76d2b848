"""A whole virtual site, moment by moment: packs, plugs, room and crew, and what is heard of them.

Knows the truth and the wires. Does not know the service that listens, nor any real clock.

One agenda of things to come, in order of their moment; two at one moment keep the order in which
they were planned. Truth moves only at those moments, and every draw comes from the seed: the same
seed and the same commands at the same moments give the same events, to the byte, however the time
between is cut into calls of `advance`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import cos, pi
from random import Random

from carerules.domain.decision import Command
from carerules.domain.event import (
    Event,
    Placed,
    Sample,
    SiteSample,
    UseDropped,
    UsePlanned,
    Value,
)
from carerules.domain.moment import DAY, HOUR, SECOND, Duration, Moment
from carerules.domain.pack import Pack, Site
from carerules.sim.agenda import Agenda
from carerules.sim.bench import Bench
from carerules.sim.crew import Crew
from carerules.sim.pack import CellKind, PackTruth, born
from carerules.sim.plain import Plain, table, whole
from carerules.sim.plug import PlugTruth
from carerules.sim.sensor import NOISE_DRAWS, Noise, sensor_of
from carerules.sim.settings import VirtualPack, VirtualSettings
from carerules.sim.wires import Wires

COLDEST: Duration = 4 * HOUR  # after midnight, UTC

SNAPSHOT_FORM = 1


class VirtualSite:
    """The world. Listeners get only its events; `bench` holds the truth, for observers.

    `wires.fail`, `wires.mend` and `wires.reboot` trouble a plug and make it work again.
    """

    def __init__(
        self,
        site: Site,
        chemistries: Mapping[str, CellKind],
        settings: VirtualSettings | None = None,
        seed: int = 0,
        noise: Noise | None = None,
    ) -> None:
        """`chemistries` by name; raises ValueError when a pack's is not there.

        `noise`: a ring that others share, for whoever makes many short-lived sites.
        """
        self.site, self.seed = site, seed
        self.settings = settings = settings or VirtualSettings()
        self._now = settings.start
        self._noise = noise or Noise(f"{seed} noise")
        self._heard: list[Event] = []
        self._agenda = Agenda(single=("sample", "report"))
        self.plan = self._agenda.plan
        packs = {name: self._born(pack, chemistries) for name, pack in sorted(site.packs.items())}
        plugs = {
            name: PlugTruth(metered=plug.metered, faults=settings.faults.get(name, ()))
            for name, plug in sorted(site.plugs.items())
        }
        self.bench = Bench(site, settings, packs, plugs)
        self.crew = Crew(self)
        self.wires = Wires(self)
        self._sensors = {name: sensor_of(Random(f"{seed} sensor {name}")) for name in packs}
        self._sources = {name: f"virtual {name}" for name in packs}
        self._draw = {
            name: Random(f"{seed} draws {name}").randrange(NOISE_DRAWS)
            for name in (*packs, *(f"plug {plug}" for plug in plugs), "room")
        }
        self._handlers: dict[str, Callable[[Moment, str, object], None]] = {
            "start": self._start, "sample": self._sample, "room": self._room,
            "report": self.wires.on_report, "command": self.wires.on_command,
            "timer": self.wires.on_timer, "will": self.wires.on_will, "back": self.wires.on_back,
            "use": self.crew.on_use, "crew": self.crew.on_step,
        }  # fmt: skip
        self.plan("start", "", settings.start)
        self.plan("room", "", settings.start + SECOND)
        for name in packs:
            self._plan_sample(name, settings.start)

    def _born(self, pack: Pack, kinds: Mapping[str, CellKind]) -> PackTruth:
        if pack.chemistry not in kinds:
            known = ", ".join(f"`{name}`" for name in sorted(kinds))
            raise ValueError(f"pack `{pack.name}` is of `{pack.chemistry}`, wanted one of {known}")
        begins = self.settings.packs.get(pack.name, VirtualPack())
        nature = born(
            kinds[pack.chemistry],
            cells=pack.cells,
            capacity_ah=pack.capacity_ah * begins.health / 100,
            chance=Random(f"{self.seed} pack {pack.name}"),
            uneven=begins.uneven,
            off_curve=begins.off_curve,
        )
        return PackTruth(nature, soc=begins.soc, temperature_c=self.room_c(self._now))

    # ---- time -------------------------------------------------------------------------------

    @property
    def now(self) -> Moment:
        """How far the world has come."""
        return self._now

    def next_at(self) -> Moment:
        """When something happens next; it may turn out that nothing is heard of it."""
        return self._agenda.next_at()

    def advance(self, until: Moment) -> list[Event]:
        """Everything heard up to and including `until`, in order."""
        events: list[Event] = []
        while self._now < until or self._agenda.next_at() <= until:
            events += self.advance_once(until)
        return events

    def advance_once(self, until: Moment) -> list[Event]:
        """What is heard at the next moment at which anything is; nothing: `until` came first."""
        take, heard = self._agenda.take, self._heard
        last = until
        while entry := take(last):
            at, _, kind, key, what = entry
            self._now = at
            self._handlers[kind](at, key, what)
            if heard:
                last = at  # and all else of this moment
        if heard:
            self._heard = []
            return heard
        self._now = max(self._now, until)
        return []

    def hear(self, event: Event) -> None:
        """Have an event heard at this moment; for the crew and for what people enter."""
        self._heard.append(event)

    def _plan_sample(self, name: str, after: Moment) -> None:
        """The first sample: the packs are spread over the time between two."""
        if self.settings.packs.get(name, VirtualPack()).feed:
            first = Random(f"{self.seed} first {name}").randrange(3_000, self.settings.idle + 3_000)
            self.plan("sample", name, after + first)

    # ---- what people and the service do -----------------------------------------------------

    def tell(self, event: Event) -> None:
        """A person did what an entry says: packs are moved, uses planned; other entries are words.

        It is not heard again from here: whoever enters it passes it on.
        """
        match event:
            case Placed(_, pack, station):
                if pack in self.bench.packs and (station is None or station in self.site.stations):
                    self.place(pack, station)
            case UsePlanned(_, use):
                self.crew.expect(use)
            case UseDropped(_, name):
                self.crew.forget(name)
            case _:
                pass

    def place(self, pack: str, station: str | None) -> None:
        """Hang a pack on a station, or take it off, now."""
        touched = {pack, self.bench.pack_at(station) if station else None}
        for name in sorted(filter(None, touched)):
            self.bring(name)
        self.bench.place(pack, station)
        for name in sorted(filter(None, touched)):
            self.bring(name)
            self.hasten(name)

    def in_hand(self, pack: str) -> bool:
        """Whether somebody has the pack: in the field, or on a charger of their own."""
        return pack in self.bench.hands

    def voltage(self, pack: str) -> float:
        """What a meter at the pack shows now, V."""
        self.bring(pack)
        return sum(self.bench.packs[pack].cell_v)

    def send(self, command: Command) -> None:
        """A command sets out to its plug; it arrives 50 to 300 ms later."""
        self.wires.send(command)

    # ---- packs and room ---------------------------------------------------------------------

    def room_c(self, at: Moment) -> float:
        """The room, °C: coldest at four in the morning."""
        day = 2 * pi * ((at - COLDEST) % DAY) / DAY
        return self.settings.room_c - self.settings.room_swing_c * cos(day)

    def bring(self, pack: str) -> None:
        """Let a pack's truth come to this moment."""
        now = self._now
        if self.bench.bring(pack, now, self.room_c(now)):
            station = self.bench.at_station.get(pack)
            for plug, (name, _) in self.bench.side_of.items():
                if name == station:  # its power has changed by itself: the plug tells
                    self.plan("report", plug, now)

    def hasten(self, pack: str) -> None:
        """The pack's current has changed: its next sample comes soon."""
        soon = self._now + self.settings.moving
        due = self._agenda.due("sample", pack)
        if due is not None and due > soon:
            self.plan("sample", pack, soon)

    def draws(self, name: str, count: int) -> list[float]:
        """Unit-normal draws for whoever is called so."""
        start = self._draw[name]
        self._draw[name] = (start + count) % NOISE_DRAWS
        return self._noise.take(start, count)

    def _sample(self, at: Moment, name: str, _: object) -> None:
        self.bring(name)
        flows = self.bench.flows(name)
        self.plan("sample", name, at + (self.settings.moving if flows else self.settings.idle))
        if self.crew.has_out(name):
            return
        truth = self.bench.packs[name]
        draws = self.draws(name, 3 + len(truth.rest_v))
        volts, amps, celsius, cells = self._sensors[name].read(truth, draws)
        values = (
            Value("pack.voltage", volts, 0.01),
            Value("pack.current", amps, 0.02),
            Value("pack.temperature", celsius, 0.2),
        )
        self._heard.append(Sample(at, at, name, values, self._sources[name], cells, 0.003))

    def _room(self, at: Moment, _key: str, _: object) -> None:
        self.plan("room", "", at + self.settings.room_each)
        celsius = round(self.room_c(at) + 0.1 * self.draws("room", 1)[0], 1)
        values = (Value("site.temperature", celsius, 0.2),)
        self._heard.append(SiteSample(at, at, values, "virtual room"))

    def _start(self, at: Moment, _key: str, _: object) -> None:
        """What a listener has to know at first: ways to plugs, where packs hang, planned uses."""
        self.wires.begin(at)
        for name, begins in sorted(self.settings.packs.items()):
            if begins.station is not None:
                self.place(name, begins.station)
                self._heard.append(Placed(at, name, begins.station))
        for use in self.settings.uses:
            self.crew.expect(use)
            self._heard.append(UsePlanned(at, use))

    # ---- keeping ----------------------------------------------------------------------------

    def snapshot(self) -> Plain:
        """Everything that changes, as plain JSON: enough to go on to the byte after a kill."""
        return {
            "form": SNAPSHOT_FORM, "seed": self.seed, "now": self._now,
            "agenda": self._agenda.snapshot(),
            "draw": dict(self._draw),
            "bench": self.bench.snapshot(), "crew": self.crew.snapshot(),
            "wires": self.wires.snapshot(),
        }  # fmt: skip

    def restore(self, kept: Mapping[str, object]) -> None:
        """Go on from a snapshot of this site and seed.

        The truth is then where it was when it was taken, which may lie before the last event that
        the service has journalled: `advance` up to there first and drop what comes. Packs and
        plugs that the site file got since begin afresh. Raises ValueError for another seed.
        """
        if (kept.get("form"), kept.get("seed")) != (SNAPSHOT_FORM, self.seed):
            found = f"form {kept.get('form')} of seed {kept.get('seed')}"
            wanted = f"form {SNAPSHOT_FORM} of seed {self.seed}"
            raise ValueError(f"found a snapshot of {found}, wanted {wanted}; begin afresh")
        self._now = whole(kept, "now")
        self.bench.restore(table(kept, "bench"), self._now)
        self.crew.restore(table(kept, "crew"))
        things = {"", *self.bench.packs, *self.bench.plugs}
        self._agenda.restore(table(kept, "agenda"), things | self.crew.uses())
        for name in self.bench.plugs:
            if self._agenda.due("report", name) is None:
                self.plan("report", name, self._now)
        for name in self.bench.packs:
            if self._agenda.due("sample", name) is None:
                self._plan_sample(name, self._now)
        self.wires.restore(table(kept, "wires"))
        draw = table(kept, "draw")
        self._draw = {name: whole(draw, name, first) for name, first in self._draw.items()}
        self._heard = []

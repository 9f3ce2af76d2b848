"""A small invented site, a cell whose rest curve is a straight line, and hands for the tests."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC
from hashlib import sha256
from random import Random

from carerules.domain.decision import AskPlug, SwitchOff, SwitchOn
from carerules.domain.event import Event, PlugReport, Sample
from carerules.domain.moment import HOUR, MINUTE, SECOND, LocalTime, Moment
from carerules.domain.pack import Limits, Pack, Plug, Site, Socket, Station
from carerules.sim import VirtualPack, VirtualSettings, VirtualSite

BIRDS = ("avocet", "bittern", "curlew", "dunlin", "egret", "fulmar", "grebe", "heron")

LIMITS = Limits(3.4, 4.22, 3.0, 0, 50, 5, 45)


@dataclass(frozen=True)
class Line:
    """3.0 V empty to 4.2 V full, straight: everything has a closed form."""

    fractions: tuple[float, ...] = (0.0, 1.0)
    volts: tuple[float, ...] = (3.0, 4.2)
    spreads: tuple[float, ...] = (2.0, 2.0)
    resistance_mohm_ah: float = 45.0
    self_discharge_pct_month: float = 2.0


KINDS = {"straight": Line()}


def site(packs: int = 2) -> Site:
    """`packs` packs of 6 cells and 16 Ah, and two stations with a load and a charger each."""
    names = BIRDS[:packs]
    return Site(
        name="river survey",
        local=LocalTime(UTC),
        packs={name: Pack(name, "straight", 6, 16.0, LIMITS) for name in names},
        stations={
            f"bench-{i}": Station(
                f"bench-{i}", Socket(f"load-{i}", 60.0), Socket(f"charger-{i}", 200.0)
            )
            for i in (1, 2)
        },
        plugs={
            name: Plug(name, "virtual") for i in (1, 2) for name in (f"load-{i}", f"charger-{i}")
        },
        virtual=True,
    )


BEGIN = 1_764_892_800_000  # a Friday midnight, UTC
SETTINGS = VirtualSettings(
    start=BEGIN,
    packs={
        "avocet": VirtualPack(soc=98, station="bench-1"),
        "bittern": VirtualPack(soc=30, station="bench-2", feed=False),
    },
)


def world(seed: int = 1, settings: VirtualSettings = SETTINGS) -> VirtualSite:
    return VirtualSite(site(2), KINDS, settings, seed)


def on(plug: str, lease_s: int | None = 90) -> SwitchOn:
    return SwitchOn(plug, lease_s, "job", 0, False)


def off(plug: str) -> SwitchOff:
    return SwitchOff(plug, "test")


def keep_on(virtual: VirtualSite, plug: str, until: Moment) -> list[Event]:
    """Renew each 20 s, as the service does."""
    events: list[Event] = []
    while virtual.now < until:
        virtual.send(on(plug))
        events += virtual.advance(min(until, virtual.now + 20 * SECOND))
    return events


def reports(events: list[Event], plug: str) -> list[PlugReport]:
    return [event for event in events if isinstance(event, PlugReport) and event.plug == plug]


def samples(events: list[Event], pack: str) -> list[Sample]:
    return [event for event in events if isinstance(event, Sample) and event.pack == pack]


def volts(sample: Sample) -> float:
    return next(value.value for value in sample.values if value.signal == "pack.voltage")


def amps(sample: Sample) -> float:
    return next(value.value for value in sample.values if value.signal == "pack.current")


def busy_night(virtual: VirtualSite, cuts: Random | None = None) -> list[Event]:
    """Commands at fixed moments; the time between is cut as `cuts` will have it."""
    events: list[Event] = []
    for minutes, command in [
        (10, on("load-1")), (11, on("load-1")), (14, AskPlug("load-2")), (20, on("charger-2", 600)),
        (29, off("charger-2")), (45, on("load-1", 900)), (50, off("load-2")),
    ]:  # fmt: skip
        until = BEGIN + minutes * MINUTE
        while cuts is not None and virtual.now < until - 1:
            events += virtual.advance(min(until, virtual.now + cuts.randrange(1, 3 * MINUTE)))
        events += virtual.advance(until)
        virtual.send(command)
    return events + virtual.advance(BEGIN + 2 * HOUR)


def digest(events: list[Event]) -> str:
    return sha256(repr(events).encode()).hexdigest()

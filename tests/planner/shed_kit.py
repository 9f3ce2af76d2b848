"""A shed of two stations, and worlds of it: what the tests of the planner share."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

from carerules.battery import shipped_chemistries
from carerules.domain.event import Event, Sample, UsePlanned, Value
from carerules.domain.moment import HOUR, MINUTE, LocalTime, Moment
from carerules.domain.pack import Pack, Plug, Site, Socket, Station, Use
from carerules.domain.signal import catalogue
from carerules.lang import load
from carerules.loop import World, make_setup, new_world, step

CHEMISTRIES = shipped_chemistries()
LOCAL = LocalTime(ZoneInfo("Europe/Lisbon"))
T0 = LOCAL.moment(datetime(2026, 11, 30, 18, 7))  # a Monday
NOON = LOCAL.moment(datetime(2026, 12, 1, 12))
STEP = 15 * MINUTE

FULL_TOO_LONG = "rule full-too-long\n    when pack.soc >= 95 for 2 h: drain to 80 %\n"
READY = (
    "rule ready\n    when time until use <= 6 h and pack.soc < 90 %: charge to 100 % by use\n"
)  # fmt: skip


def site(
    packs: dict[str, str], blind: bool | Collection[str] = False, **plug: object
) -> Site:  # fmt: skip
    """`blind`: at which stations a drain may go unseen; True: at both."""
    unseen = {"A", "B"} if blind is True else set(blind or ())
    return Site(
        name="boat shed", local=LOCAL,
        packs={name: Pack(name, chemistry, 6, 16.0, CHEMISTRIES[chemistry].limits)
               for name, chemistry in packs.items()},
        stations={
            "A": Station("A", Socket("A-load", 60.0), Socket("A-charger", 180.0), "A" in unseen),
            "B": Station("B", Socket("B-load", 120.0), None, "B" in unseen),
        },
        plugs={name: replace(Plug(name, "kit"), **plug)
               for name in ("A-load", "A-charger", "B-load")},
        virtual=True,
    )  # fmt: skip


def world_of(rules: str, *events: Event, packs: dict[str, str] | None = None, **plug: object) -> (
    World
):  # fmt: skip
    loaded = load({"kit.care": rules}, catalogue=catalogue())
    assert loaded.plan is not None, loaded.diagnostics
    setup = make_setup(site(packs or {"heron": "lipo"}, **plug), CHEMISTRIES, catalogue(),
                       loaded.plan)  # fmt: skip
    world = new_world(setup, T0)
    for event in events:
        world, _ = step(world, event)
    return world


def at_level(percent: float, pack: str = "heron", at: Moment = T0, temp: float = 25.0) -> Sample:
    values = (Value("pack.soc", percent, 1.0), Value("pack.temperature", temp, 0.5))
    return Sample(at, at, pack, values, "a gauge")


def volts(pack_v: float) -> Sample:
    """Its own electronics tell its voltage."""
    return Sample(T0, T0, "heron", (Value("pack.voltage", pack_v, 0.01),), "a gauge")


def use(hours: float, *packs: str) -> UsePlanned:
    start = T0 + round(hours * HOUR)
    return UsePlanned(T0, Use("survey", start, frozenset(packs or ("heron",))))

"""What a night is played on: two packs, two stations, four plugs, and rules for them; all drawn.

Knows what may be drawn. Does not know what goes wrong.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC
from functools import cache, lru_cache
from random import Random
from typing import NamedTuple

from carerules.battery import Chemistry, shipped_chemistries
from carerules.domain.moment import HOUR, MINUTE, SECOND, Duration, LocalTime, Moment
from carerules.domain.pack import Pack, Plug, Site, Socket, Station, Use
from carerules.domain.signal import catalogue
from carerules.lang import Loaded, load
from carerules.loop import Setup, make_setup
from carerules.sim import VirtualPack, VirtualSettings

BEGIN: Moment = 1_764_892_800_000  # Friday 5 December 2025, midnight UTC
PACKS = ("heron", "egret")
STATIONS = ("bench-1", "bench-2")
LOADS = ("load-1", "load-2")
CHARGERS = ("charger-1", "charger-2")
LOAD_W, CHARGER_W = 60.0, 90.0

RULES = (
    "rule low\n    when pack.soc > 25 %: drain to 8 %\n",
    "rule exercise\n    when pack.soc > 55 %:\n        drain to 40 %\n        rest 2 min\n"
    "        charge to 60 %\n",
    "rule deep\n    when pack.soc > 20 % for 2 min: drain to 8 %\n"
    "rule half over deep\n    when pack.soc > 70 % for 12 min: drain to 50 %\n",
    "never drain when pack.temperature > 32 °C for 2 min\n"
    "rule storage\n    when pack.soc > 55 %: drain to 45 %\n"
    "rule top\n    when pack.soc < 30 %: charge to 50 %\n",
    "rule fill\n    when pack.soc < 95 % for 1 min: charge to 99 %\n",
    "rule early\n    when pack.soc > 45 %: drain to 20 % during 00:02-00:12\n"
    "rule late\n    when pack.soc < 45 %: charge to 60 % during 00:05-00:18\n",
    'rule asked\n    when pack.soc > 50 %:\n        ask "drain {pack}?" within 3 min\n'
    "        drain to 30 %\n",
    "rule lamp\n    when pack.soc > 20 % for 1 min: switch load on for 14 min\n"
    "rule top\n    when pack.soc < 40 %: switch charger on for 14 min\n",
    "rule away\n    when time until use > 10 h and pack.soc > 45 %: drain to 30 %\n"
    "rule ready\n    when time until use < 8 h and pack.soc < 80 %: charge to 95 % by use\n",
    "rule turn\n    when pack.soc > 50 %:\n        drain to 40 %\n        charge to 60 %\n",
)
"""Rules that ask for more than is good for a pack: what holds them back is what is tried."""
WEIGHTS = (4, 4, 4, 3, 4, 1, 1, 2, 1, 4)
"""How often each is drawn: those that move most energy most often."""

SHORT: tuple[Duration, Duration] = (8 * MINUTE, 20 * MINUTE)
LONG: Duration = 5 * HOUR
LONG_SHARE = 0.005
"""One night in two hundred is long enough for the cap of four hours, with a pack that needs it."""


USE_SHARE = 0.4
SECOND_SHARE = 0.1


class Ground(NamedTuple):
    """What does not change through a night, and is the same in many of them."""

    rules: int
    blind: bool
    sizes_ah: tuple[float, float]
    timers_shown: tuple[bool, ...]
    metered: tuple[bool, ...]
    floor_v: float
    ceiling_v: float
    rest: Duration


class Beginning(NamedTuple):
    """One night's ground, how its packs begin, how long it is, and which packs are told of by a
    second feed, too."""

    ground: Ground
    settings: VirtualSettings
    length: Duration
    second: frozenset[str]


def drawn(chance: Random) -> Beginning:
    """A beginning drawn by `chance`."""
    blind = chance.random() < 0.25
    long = chance.random() < LONG_SHARE
    ground = Ground(
        0 if long else chance.choices(range(len(RULES)), WEIGHTS)[0],
        blind,
        (chance.choice([1.3, 2.6]), 16.0 if long else chance.choice([2.6, 5.0, 16.0])),
        tuple(chance.random() < 0.8 for _ in (*LOADS, *CHARGERS)),
        # A plug in eight tells no power: its OFF is proved by its relay alone.
        tuple(chance.random() < 0.875 for _ in (*LOADS, *CHARGERS)),
        chance.choice([3.4, 3.72]),
        chance.choice([4.22, 4.22, 4.10]),
        chance.choice([MINUTE, MINUTE, 8 * MINUTE]),
    )
    packs = {
        name: VirtualPack(
            soc=100.0
            if long
            else chance.choices(
                [chance.uniform(50, 100), chance.uniform(5, 50), chance.uniform(0, 1)], (7, 3, 1)
            )[0],
            station=station,
            feed=not (blind and chance.random() < 0.5),
            # Cells no further apart than what is allowed for where they are not seen.
            uneven=chance.choice([0.5, 1, 2] if blind else [0.5, 1, 2, 10]),
            health=chance.uniform(75, 100),
            off_curve=chance.uniform(-1.5, 1.5),
        )
        for name, station in zip(PACKS, STATIONS, strict=True)
    }
    length = LONG if long else chance.randrange(*SHORT)
    settings = VirtualSettings(
        start=BEGIN, packs=packs, load_cutoff_v=1.0,
        uses=(_use(chance),) if chance.random() < USE_SHARE else (),
        # A charger knows nothing of the site's ceiling; one in four is set to another kind of cell.
        charger_full_v=chance.choice([4.2, 4.2, 4.2, 4.3]),
        room_c=chance.choice([20.0, 20.0, 20.0, 31.0, 3.0]),
        # While nothing flows nothing can happen; a hub that has slept still hears in time.
        idle=chance.choice([40, 90, 120]) * SECOND,
        moving=30 * SECOND if long else chance.choice([10, 20, 30, 30]) * SECOND,
        plug_idle=chance.choice([5, 15]) * MINUTE,
        plug_moving=30 * SECOND if long else chance.choice([10, 10, 10, 30]) * SECOND,
    )  # fmt: skip
    second = frozenset(name for name in PACKS if chance.random() < SECOND_SHARE)
    return Beginning(ground, settings, length, second)


def _use(chance: Random) -> Use:
    """A planned use: soon, or so late that a pack should not wait full for it."""
    after = chance.choice([MINUTE, 40 * MINUTE, 3 * HOUR, 14 * HOUR])
    return Use("survey", BEGIN + after, frozenset(chance.choice([PACKS, PACKS[:1]])))


@lru_cache(4_096)  # as many as there are, nearly; nights share them
def setup_on(ground: Ground) -> Setup:
    """The site and its rules, ready to be run."""
    limits = replace(
        chemistries()["lipo"].limits,
        cell_v_floor=ground.floor_v,
        cell_v_ceiling=ground.ceiling_v,
        rest_before_charge=ground.rest,
    )
    site = Site(
        "night",
        LocalTime(UTC),
        {n: Pack(n, "lipo", 6, ah, limits) for n, ah in zip(PACKS, ground.sizes_ah, strict=True)},
        {
            name: Station(
                name, Socket(load, LOAD_W), Socket(charger, CHARGER_W), blind=ground.blind
            )
            for name, load, charger in zip(STATIONS, LOADS, CHARGERS, strict=True)
        },
        {
            name: Plug(name, "virtual", timer_shown=shown, metered=metered)
            for name, shown, metered in zip(
                (*LOADS, *CHARGERS), ground.timers_shown, ground.metered, strict=True
            )
        },
        virtual=True,
    )
    plan = rules_of(ground.rules).plan
    assert plan is not None
    return make_setup(site, chemistries(), catalogue(), plan)


@cache
def rules_of(number: int) -> Loaded:
    """One of the rule texts, read."""
    return load({"night.care": RULES[number]}, catalogue=catalogue())


@cache
def chemistries() -> Mapping[str, Chemistry]:
    """Those that ship."""
    return shipped_chemistries()

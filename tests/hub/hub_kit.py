"""A house out of a small world, and a broker that only remembers: what these tests share."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1] / "loop"))

from kit import BEGIN, MINUTE, Stage, make_site, play, sample

from carerules.hub import (
    Convention,
    Discovery,
    Homie,
    House,
    Places,
    house_of,
    pack_device,
    places_of,
    shown_packs,
    shown_stations,
    site_device,
    station_device,
)
from carerules.loop import World

RULES = """
rule too-full
    when pack.soc >= 95 % for 24 h:
        drain to 80
"""
KEY = "river-survey"
DISCOVERY = Discovery(KEY, "hubs", "9.9")
HOMIE = Homie(KEY, "homie")
CONVENTIONS: tuple[Convention, ...] = (DISCOVERY, HOMIE)
NAMED = [type(one).__name__ for one in CONVENTIONS]

__all__ = ["BEGIN", "CONVENTIONS", "DISCOVERY", "HOMIE", "KEY", "MINUTE", "NAMED", "RULES", "Stage",
           "brought", "house", "make_site", "places", "play", "sample", "stage"]  # fmt: skip


def stage(story: str = "0s soc=96 t=21 v=24.6 cells=4.10,4.11,4.10,4.09,4.10,4.10; 1h",
          *, packs: tuple[str, ...] = ("heron", "egret"), stations: tuple[str, ...] = ("A",),
          rules: str = RULES) -> Stage:  # fmt: skip
    return play(rules, story, site=make_site(packs, stations))


def places(world: World, *, controls: bool = True) -> Places:
    return places_of(world.setup.site, KEY, controls=controls)


def house(world: World, *, controls: bool = True, answer: str = "") -> House:
    where = places(world, controls=controls)
    return house_of(
        where,
        site_device(world, where, answer),
        [pack_device(world, name, where, None) for name in shown_packs(world)],
        [station_device(world, name, where) for name in shown_stations(world)],
    )


def brought(convention: Convention, kept: Mapping[str, str], wanted: Mapping[str, str]
            ) -> dict[str, str]:  # fmt: skip
    """What a broker remembers after all steps."""
    after = dict(kept)
    for topic, payload in convention.steps(kept, wanted):
        if payload:
            after[topic] = payload
        else:
            after.pop(topic, None)
    return after

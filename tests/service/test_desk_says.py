"""What a person is told of an entry: also whom it took off a station."""

from __future__ import annotations

import pytest

from carerules.config import SiteFile, read_site_text
from carerules.domain.event import Event, Placed, Started
from carerules.domain.signal import catalogue
from carerules.lang import load
from carerules.loop import World, make_setup, new_world, pack_on, step
from carerules.service.desk import answer_of, taken_off

SITE = """\
name = "boat shed"
zone = "Europe/Lisbon"
[station.bench]
load = { plug = "bench-load", power = "60 W" }
[plug.bench-load]
profile = "generic-json"
topic = "bench/load"
[mqtt]
host = "127.0.0.1"
""" + "".join(
    f'[pack.{name}]\nchemistry = "lipo"\ncells = 6\ncapacity = "16 Ah"\n'
    for name in ("heron", "egret")
)


def begun() -> World:
    site, loaded = read_site_text(SITE, "site.toml"), load({"kit.care": ""}, catalogue=catalogue())
    assert isinstance(site, SiteFile), site
    assert loaded.plan is not None
    setup = make_setup(site.site, site.chemistries, catalogue(), loaded.plan)
    world, _ = step(new_world(setup, 0), Started(0, 0))
    return step(world, Placed(1_000, "heron", "bench"))[0]


@pytest.mark.parametrize(
    ("event", "said", "there"),
    [
        (Placed(2_000, "egret", "bench"), "heron, which was there, is on no station now", "egret"),
        (Placed(2_000, "heron", "bench"), "", "heron"),
        (Placed(2_000, "heron", None), "", None),
        (Placed(2_000, "egret", None), "", "heron"),
    ],
)
def test_whom_another_pack_takes_off_its_station(event: Event, said: str, there: str) -> None:
    world = begun()
    off = taken_off([event], world)
    after, outcomes = step(world, event)
    assert (off, pack_on(after, "bench")) == (said, there)
    told = answer_of([event], outcomes, off)
    assert told.startswith(f"taken in: {said}" if said else "taken in")
    assert said in told

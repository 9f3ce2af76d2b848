"""DEVELOPERS.md walks one sample from the broker's bytes to a plug's topic; here it walks indeed,
and it enters the modules that the page names, one after the other."""

from __future__ import annotations

import json
import re
import sys
import tomllib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

from carerules.adapters import LineClock, Sources, SqliteJournal
from carerules.config import SiteFile, read_site
from carerules.domain.decision import Outcome, SwitchOn
from carerules.domain.event import Attended, Event, Placed, Started
from carerules.domain.moment import HOUR, SECOND
from carerules.domain.signal import catalogue
from carerules.lang import load
from carerules.loop import World, make_setup, new_world
from carerules.service.outside import RealOutside
from carerules.service.run import Service

ROOT = Path(__file__).parents[2]
HOUSE = ROOT / "carerules"
PAGE = (ROOT / "DEVELOPERS.md").read_text("utf-8")
SITE = """
name = "boat shed"
zone = "UTC"
rules = ["shed.care"]
[mqtt]
host = "127.0.0.1"
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
[station.A]
load = { plug = "A-load", power = "60 W" }
charger = { plug = "A-charger", power = "200 W" }
[plug.A-load]
profile = "generic-json"
topic = "shed/load"
require_proof = false
[plug.A-charger]
profile = "generic-json"
topic = "shed/charger"
require_proof = false
[feed.heron]
profile = "generic-json"
topic = "packs/heron"
pack = "heron"
"""
RULE = "rule full when pack.soc >= 90 %: drain to 80 %\n"
BEGIN = 1_764_892_800_000  # Friday 5 December 2025, midnight UTC


def hops() -> list[str]:
    """The modules that the page names, in its order, as `room/module`."""
    section = PAGE.split("## The way of one sample to a plug")[1].split("\n## ")[0]
    steps = re.findall(r"^\d\. .*?(?=^\d\. |\n\n)", section, re.M | re.S)
    found = []
    for word in re.findall(r"`([\w/]+)`", " ".join(steps)):
        path = word if "/" in word else f"loop/{word}"
        if (HOUSE / f"{path}.py").is_file():
            found.append(path)
    return found


class Walk:
    """A site at work, without a broker: bytes are put where the line would put them."""

    def __init__(self, folder: Path) -> None:
        (folder / "site.toml").write_text(SITE)
        (folder / "shed.care").write_text(RULE)
        site = read_site(folder / "site.toml")
        assert isinstance(site, SiteFile), [one.show() for one in site]
        self.ms = BEGIN
        clock = LineClock(None, Sources(*(self.now,) * 3, lambda: "boot"))
        self.outside = RealOutside(site, clock)
        self.said: list[tuple[str, str]] = []
        wires = self.outside._wires
        assert wires is not None
        wires._commanding.publish = self._publish  # type: ignore[method-assign]
        wires._both_up = True
        self.numbers, self.acknowledge = 0, wires._acknowledged
        self.hear: Callable[[str, bytes, bool], None] = wires._on_message
        plan = load({"shed.care": RULE}, catalogue=catalogue()).plan
        assert plan is not None
        setup = make_setup(site.site, site.chemistries, catalogue(), plan)
        self.decided: list[Outcome] = []
        self.service = Service(
            new_world(setup, BEGIN), self.outside,
            SqliteJournal.open(folder / "journal.db", owner=True), self._tell,
        )  # fmt: skip

    def now(self) -> int:
        return self.ms

    def plug(self, name: str, *, on: bool) -> None:
        """What a plug says of itself."""
        power = (200.0 if name == "charger" else 60.0) if on else 0.0
        told = {"on": on, "power_w": power, "timer_s": 90 if on else None}
        self.bytes(f"shed/{name}/state", told)

    def bytes(self, topic: str, told: dict[str, Any]) -> None:
        self.hear(topic, json.dumps(told).encode(), False)
        self.service.take(self.outside.inbox.take(self.ms + 60 * SECOND))

    def say(self, *events: Event) -> None:
        self.service.take(events)

    def _publish(self, topic: str, payload: str, **_: object) -> int:
        self.said.append((topic, payload))
        self.numbers += 1
        self.acknowledge(self.numbers)
        return self.numbers

    def _tell(self, _event: Event, outcomes: Sequence[Outcome], _world: World) -> None:
        self.decided += outcomes


def entered(act: Callable[[], None]) -> list[str]:
    """The module of each function of the house that was called, in order."""
    seen: list[str] = []

    def look(frame: FrameType, what: str, _: object) -> None:
        file = frame.f_code.co_filename
        if what == "call" and file.startswith(str(HOUSE)):
            seen.append(file[len(str(HOUSE)) + 1 : -3])

    before = sys.getprofile()
    sys.setprofile(look)
    try:
        act()
    finally:
        sys.setprofile(before)
    return seen


def led_astray(wanted: list[str], way: list[str]) -> str:
    """The first module that was not entered after those before it; nothing: all were."""
    left = iter(way)
    return next((one for one in wanted if one not in left), "")


@pytest.fixture
def walk(tmp_path: Path) -> Iterator[Walk]:
    """Begun: every plug was read back off, somebody is there, and the pack is on its station."""
    walk = Walk(tmp_path)
    walk.say(Started(BEGIN))
    for _ in range(2):
        walk.ms += SECOND
        for name in ("load", "charger"):
            walk.plug(name, on=False)
    walk.say(Attended(walk.ms, walk.ms + 2 * HOUR), Placed(walk.ms, "heron", "A"))
    for _ in range(3):
        walk.ms += 10 * SECOND
        walk.bytes("packs/heron/telemetry", {"voltage": 22.8, "soc": 60, "temperature": 20})
    walk.said.clear()
    yield walk
    walk.service.journal.close()  # type: ignore[union-attr]


def test_a_sample_goes_the_way_that_the_page_says(walk: Walk) -> None:
    wanted = [one for one in hops() if one not in ("loop/charging", "battery/session")]
    assert len(wanted) > 14
    walk.ms += 10 * SECOND
    full = {"voltage": 24.9, "soc": 97, "temperature": 20}
    way = entered(lambda: walk.bytes("packs/heron/telemetry", full))
    assert [one for one in walk.decided if isinstance(one, SwitchOn)], walk.decided
    assert walk.said[0] == ("shed/load/set", '{"on": true, "for_s": 90}')
    assert led_astray(wanted, way) == ""
    assert led_astray([*wanted[:-2], wanted[-1], wanted[-2]], way) != "", "out of order"


def test_what_a_charger_draws_goes_there_too(walk: Walk) -> None:
    walk.ms += 10 * SECOND
    way = entered(lambda: walk.plug("charger", on=False))
    assert {"loop/charging", "battery/session"} <= set(way) & set(hops())


def test_a_module_that_is_not_entered_is_missed(walk: Walk) -> None:
    walk.ms += 10 * SECOND
    quiet = {"voltage": 22.8, "soc": 60, "temperature": 20}
    way = entered(lambda: walk.bytes("packs/heron/telemetry", quiet))
    assert "adapters/topics" in way
    assert not {"engine/arbitrate", "safety/interlock", "adapters/plug"} & set(way)


# ---- the map ------------------------------------------------------------------------------------


def test_the_map_has_every_room_and_no_other() -> None:
    drawn = PAGE.split("```text\ncarerules/\n")[1].split("```")[0]
    rooms = re.findall(r"^  ([a-z]+)(?=/? )", drawn, re.M)
    there = {one.parent.name for one in HOUSE.glob("*/__init__.py")}
    there |= {one.stem for one in HOUSE.glob("[a-z]*.py")}
    assert sorted(rooms) == sorted(there)


def test_the_map_names_every_word_that_all_share() -> None:
    drawn = PAGE.split("  domain/ ")[1].split("\n  shipped ")[0]
    there = {one.stem for one in (HOUSE / "domain").glob("[a-z]*.py")}
    assert there - set(re.findall(r"\w+", drawn)) == set()


def test_where_the_map_names_most_of_a_room_it_names_all() -> None:
    """One more module is looked for there; of a large room it says what the room is for."""
    drawn = PAGE.split("```text\ncarerules/\n")[1].split("```")[0]
    rows = re.split(r"^  (?:  )?(?=[a-z]+(?:/| ))", drawn, flags=re.M)
    whole = []
    for room in HOUSE.glob("*/"):
        told = " ".join(row for row in rows if row.startswith(f"{room.name}/"))
        there = {one.stem for one in room.glob("[a-z]*.py")}
        named = there & set(re.findall(r"\w+", told))
        if 3 * len(named) >= 2 * len(there) > 0:
            whole.append(room.name)
            assert there - named == set(), room.name
    assert {"loop", "planner", "hub", "fleet", "board", "replay", "lsp"} <= set(whole)


def test_the_floors_are_those_that_the_contract_holds() -> None:
    said = PAGE.split("The floors, top to bottom;")[1].split("More contracts:")[0]
    floors = [set(one.split()) for one in re.findall(r"`([a-z ]+)`", said) if one != "lint"]
    held = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["importlinter"]
    (layers,) = (one["layers"] for one in held["contracts"] if one["type"] == "layers")
    assert floors == [set(one.replace("|", " ").split()) for one in layers[1:]]


def test_every_place_that_the_page_names_is_there() -> None:
    lost = []
    for word in set(re.findall(r"`([\w.-]+(?:/[\w.-]+)+)`", PAGE)):
        if "NAME" in word:
            continue
        module, _, name = word.rpartition(".")
        ways = [ROOT / word, HOUSE / word, HOUSE / f"{word}.py"]
        if any(one.exists() for one in ways):
            continue
        if (HOUSE / f"{module}.py").is_file():
            if not re.search(rf"\b{name}\b", (HOUSE / f"{module}.py").read_text("utf-8")):
                lost.append(word)
        else:
            lost.append(word)
    assert lost == []

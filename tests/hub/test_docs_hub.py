"""docs/hub.md: what it shows is taken, and what it lists is what there is."""

from __future__ import annotations

import re
from pathlib import Path

from hub_kit import house, stage

from carerules.config import SiteFile, read_site_text
from carerules.domain.signal import catalogue
from carerules.hub import Group, House
from carerules.lang import load

PAGE = (Path(__file__).parents[2] / "docs" / "hub.md").read_text("utf-8")
BLOCKS = re.findall(r"```(\w+)\n(.*?)```", PAGE, re.DOTALL)
HEAD = """name = "shed"
zone = "UTC"
[mqtt]
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
"""


def site() -> SiteFile:
    read = read_site_text(HEAD + "".join(text for kind, text in BLOCKS if kind == "toml"), "x.toml")
    assert isinstance(read, SiteFile), [problem.show() for problem in read]
    return read


def test_the_site_file_shown_is_taken_and_its_rules_too() -> None:
    found = site()
    assert found.hub is not None
    assert found.hub.controls
    assert len(found.feeds) == 4
    (rules,) = (text for kind, text in BLOCKS if kind == "care")
    loaded = load({"x.care": rules}, names=found.names, catalogue=catalogue(found.signals))
    assert [one.message for one in loaded.diagnostics] == []


def test_every_control_is_on_the_page() -> None:
    shown: House = house(stage().world)
    flat = " ".join(PAGE.lower().split())
    for device in shown.devices:
        for one in device.properties:
            if one.settable:
                words = one.name.lower().split(" read off")[0].split(" counted")[0]
                assert words in flat, one.name


def test_nothing_is_offered_that_only_somebody_who_has_looked_may_say() -> None:
    shown: House = house(stage().world)
    settable = {one.id for d in shown.devices for one in d.properties if one.settable}
    assert not settable & {"attend", "release", "answer"}
    assert {one.group for d in shown.devices for one in d.properties if one.settable} == {
        Group.CONTROL, Group.RECORD,
    }  # fmt: skip

"""docs/hub.md: what it shows is taken, and what it lists is what there is."""

from __future__ import annotations

import re
from pathlib import Path

from hub_kit import BEGIN, MINUTE, house, stage

from carerules.adapters import Message, Topics, topics_of
from carerules.config import SiteFile, read_site_text
from carerules.domain.decision import JobBegan, Outcome
from carerules.domain.event import Event, Sample, SiteSample, Started, Tick, Value
from carerules.domain.moment import HOUR
from carerules.domain.signal import catalogue
from carerules.hub import Group, House
from carerules.lang import load
from carerules.loop import make_setup, new_world, step
from carerules.report import why_of

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


def test_what_the_hub_says_reaches_the_rules_shown() -> None:
    """From the bytes on four topics to a job, and to the `never` that holds it back."""
    found = site()
    (rules,) = (text for kind, text in BLOCKS if kind == "care")
    signals = catalogue(found.signals)
    plan = load({"x.care": rules}, names=found.names, catalogue=signals).plan
    assert plan is not None
    topics = topics_of({}, {}, found.feeds, found.feed_profiles, signals)
    assert isinstance(topics, Topics)
    world = new_world(make_setup(found.site, found.chemistries, signals, plan), BEGIN)

    def hear(event: Event) -> list[Outcome]:
        nonlocal world
        world, outcomes = step(world, event)
        return list(outcomes)

    def said(topic: str, payload: bytes, at: int) -> list[Outcome]:
        (event,) = topics.read(Message(topic, payload), at, 0)
        assert isinstance(event, SiteSample), event
        return hear(event)

    hear(Started(BEGIN))
    hear(Sample(BEGIN + 1_000, BEGIN + 1_000, "heron", (Value("pack.soc", 30.0, 1.0),), "kit"))
    said("house/tariff/state", b"1", BEGIN + 2_000)
    said("house/people/state", b"not_home", BEGIN + 3_000)
    at, decided = BEGIN + 3_000, list[Outcome]()
    while at < BEGIN + 2 * HOUR and not any(isinstance(one, JobBegan) for one in decided):
        at += 5 * MINUTE
        decided += [*said("house/people/state", b"not_home", at), *hear(Tick(at))]
    assert [one.line for one in decided if isinstance(one, JobBegan)] == ["charge to 60 %"]
    assert BEGIN + HOUR <= at <= BEGIN + HOUR + 10 * MINUTE
    (never,) = why_of(world, "heron").nevers
    assert (never.forbids, never.holds) == ("charge", "yes")
    said("house/people/state", b'"home"', at)
    (never,) = why_of(world, "heron").nevers
    assert never.holds == "no"

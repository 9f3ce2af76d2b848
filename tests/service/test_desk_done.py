"""What a person says with "done" to a chore whose words name the entry of a look."""

from __future__ import annotations

import pytest

from carerules.adapters import ChoreAnswer
from carerules.config import SiteFile, read_site_text
from carerules.domain.event import ChoreAnswered, Event, Happened, Started, Tick
from carerules.domain.moment import DAY, MINUTE
from carerules.domain.signal import catalogue
from carerules.lang import load
from carerules.loop import World, make_setup, new_world, step
from carerules.service.desk import entry_events

SITE = """\
name = "boat shed"
zone = "Europe/Lisbon"
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
"""
RULE = 'rule look when time since inspection > 90 d: chore "look at {{pack}}{}"'
SAYS = "; then `carerules record {pack} inspected`"


def on(world: World, *events: Event) -> World:
    for event in events:
        world, _ = step(world, event)
    return world


def begun(says: str) -> tuple[World, str]:
    site = read_site_text(SITE, "site.toml")
    loaded = load({"kit.care": RULE.format(says) + "\n"}, catalogue=catalogue())
    assert isinstance(site, SiteFile), site
    assert loaded.plan is not None
    setup = make_setup(site.site, site.chemistries, catalogue(), loaded.plan)
    world = on(new_world(setup, 0), Started(0, 0), Tick(MINUTE))
    (key,) = (key for key in world.chores if "unread" not in key)
    return world, key


def test_done_says_that_somebody_has_looked() -> None:
    """Only taken off the list, the pack would never be looked at again: its rule stays true."""
    world, key = begun(SAYS)
    # The page leaves the command out of the words that it sends back.
    events = entry_events(ChoreAnswer(key, "look at heron"), world.now, world)
    assert events[0] == Happened(world.now, world.now, "heron", "inspection", "a person")
    world = on(world, *events)
    assert key not in world.chores
    world = on(world, Tick(world.now + 90 * DAY - MINUTE))
    assert key not in world.chores
    assert key in on(world, Tick(world.now + 2 * MINUTE)).chores


@pytest.mark.parametrize(("says", "minutes"), [
    (SAYS, 240),  # not now
    ("", None),
    ("; then `carerules record {pack} charged`", None),
    ("; if it is swollen `carerules record {pack} swelling`", None),
    ("; then `carerules record egret inspected`", None),
])  # fmt: skip
def test_nothing_else_is_said_by_it(says: str, minutes: int | None) -> None:
    world, key = begun(says)
    (event,) = entry_events(ChoreAnswer(key, "look at heron", minutes), world.now, world)
    assert isinstance(event, ChoreAnswered)


def test_a_chore_that_is_gone_says_nothing() -> None:
    world, _ = begun(SAYS)
    (event,) = entry_events(ChoreAnswer("heron gone", "look at heron"), world.now, world)
    assert isinstance(event, ChoreAnswered)

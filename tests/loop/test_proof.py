"""A plug's proof in the loop: it opens the way to an ON, is counted down, and outlives a start."""

from __future__ import annotations

from kit import BEGIN, SECOND, make_site, setup_of

from carerules.adapters import dump_event, load_event
from carerules.domain.decision import SwitchOn
from carerules.domain.event import PlugReport, Proved, Started
from carerules.loop import World, learn, new_world, step, stranger
from carerules.safety import Proof
from carerules.service import dump_world, load_world

PLUG = "A-load"
SETUP = setup_of("", make_site(stations=["A"], needs_proof=True))
KEY = SETUP.site.plugs[PLUG].key
HELD = Proved(BEGIN, PLUG, KEY, holds=True, why="opened by itself", opened_s=15.2)
FAILED = Proved(BEGIN + SECOND, PLUG, KEY, holds=False, why="it stayed on")


def proof(world: World) -> Proof | None:
    return world.plugs[PLUG].proof


def proved() -> World:
    return step(new_world(SETUP, BEGIN), HELD)[0]


def test_a_test_that_held_is_kept_and_one_that_failed_takes_it_away() -> None:
    world = proved()
    assert proof(world) == Proof(KEY, BEGIN, 0)
    assert proof(step(world, FAILED)[0]) is None


def test_it_outlives_a_start_a_report_and_a_snapshot() -> None:
    world, _ = step(proved(), Started(BEGIN + SECOND))
    world, _ = step(world, PlugReport(BEGIN + 2 * SECOND, PLUG, on=False, power_w=0.0))
    assert proof(world) == Proof(KEY, BEGIN, 0)
    again = load_world(dump_world(world), SETUP)
    assert again is not None
    assert proof(again) == Proof(KEY, BEGIN, 0)


def test_what_the_journal_has_of_switchings_counts_against_it() -> None:
    """A world that is learned from facts alone knows as many as one that was there."""
    on = SwitchOn(PLUG, 90, "heron-1", BEGIN, renewal=False)
    report = PlugReport(BEGIN + SECOND, PLUG, on=True)
    world = learn(learn(new_world(SETUP, BEGIN), HELD, ()), report, [on])
    assert proof(world) == Proof(KEY, BEGIN, 1)


def test_it_is_journalled_as_it_is() -> None:
    for event in (HELD, FAILED):
        assert load_event(*dump_event(event)) == event


def test_a_plug_that_the_site_no_longer_has_is_a_stranger() -> None:
    gone = Proved(BEGIN, "B-load", KEY, holds=True, why="")
    assert stranger(SETUP, gone) == "plug B-load"
    assert stranger(SETUP, HELD) == ""

"""A pack that leaves the site file and comes back, or is called otherwise: its harm stays."""

from __future__ import annotations

from dataclasses import replace

import pytest
from kit import BEGIN, HOUR, MINUTE, Stage, make_site, sample, stage_of
from test_restart import Store

from carerules.domain.event import PERHAPS_BARRED, Happened, Released
from carerules.loop import Setup, World, make_setup
from carerules.service import Gone, dump_world, gone_from, restore

RULES = """
rule swollen
    when time since swelling <= 24 h: quarantine
rule look
    when pack.soc > 90 %: chore "look at {pack}"
"""
TWO = make_site(("heron", "egret"))


def harmed() -> Stage:
    stage = stage_of(RULES, TWO)
    stage.hear(sample(BEGIN + MINUTE, capacity=14.0, soc=95.0))
    stage.hear(sample(BEGIN + HOUR, soc=95.0))
    stage.hear(Happened(stage.now, stage.now, "heron", "swelling", "a person"))
    assert stage.world.packs["heron"].barred
    assert [one.pack for one in stage.world.chores.values()] == ["heron"]
    return stage


def on(stage: Stage, *names: str) -> Setup:
    """The same rules, on a site file with these packs only."""
    site = replace(TWO, packs={name: replace(TWO.packs["heron"], name=name) for name in names})
    old = stage.world.setup
    return make_setup(site, old.chemistries, old.signals, old.plan)


def both(stage: Stage) -> Setup:
    return on(stage, "heron", "egret")


def started(stage: Stage, setup: Setup, shots: list[tuple[int, str]]) -> World:
    return restore(Store(stage.log, shots), setup, stage.now)


def shot(stage: Stage, world: World) -> tuple[int, str]:
    return len(Store(stage.log, []).rows), dump_world(world)


def test_what_bars_a_pack_does_not_end_because_its_table_was_away() -> None:
    stage = harmed()
    away = started(stage, on(stage, "egret"), [shot(stage, stage.world)])
    assert "heron" not in away.packs
    for shots in ([], [shot(stage, away)]):
        back = started(stage, both(stage), shots).packs["heron"]
        assert back.barred == stage.world.packs["heron"].barred
        assert back.happened == stage.world.packs["heron"].happened


def test_what_is_to_be_done_with_a_pack_goes_with_it() -> None:
    stage = harmed()
    away = started(stage, on(stage, "egret"), [shot(stage, stage.world)])
    assert dict(away.chores) == {}


def test_a_barred_pack_that_is_called_otherwise_is_told_of() -> None:
    stage = harmed()
    stage.hear(sample(stage.now + MINUTE, pack="egret", soc=50.0))
    store = Store(stage.log, [shot(stage, stage.world)])
    for journal in (store, Store(stage.log, [])):
        (said,) = gone_from(journal, on(stage, "egret").site).said()
        assert said.startswith("heron stands in it no more, and must not be charged")
        assert "record PACK swelling" in said
        gone = gone_from(journal, on(stage, "stork", "egret").site)
        assert gone.newcomers == ("stork",)
        (said,) = gone.said()
        assert "it may be stork now" in said
        assert "release PACK" in said
    assert gone_from(store, TWO) == Gone({}, ())
    stage.hear(Released(stage.now + MINUTE, "heron"))
    released = Store(stage.log, store.shots)
    assert gone_from(released, on(stage, "stork", "egret").site) == Gone({}, ())


def held(stage: Stage, setup: Setup, shots: list[tuple[int, str]]) -> Stage:
    """A start on the changed site file: what is new there is held, as `carerules run` has it."""
    gone = gone_from(Store(stage.log, shots), setup.site)
    after = Stage(started(stage, setup, shots), now=stage.now, log=[*stage.log])
    for name in gone.newcomers:
        after.hear(Happened(after.now, after.now, name, PERHAPS_BARRED, "the site file"))
    return after


@pytest.mark.parametrize("with_snapshot", [True, False])
def test_a_pack_that_is_new_as_a_barred_one_goes_is_held_until_a_person_answers(
    with_snapshot: bool,
) -> None:
    stage = harmed()
    stage.hear(sample(stage.now + MINUTE, pack="egret", soc=50.0))
    setup = on(stage, "stork", "egret")
    after = held(stage, setup, [shot(stage, stage.world)] if with_snapshot else [])
    assert "perhaps that one" in after.world.packs["stork"].barred
    assert not after.world.packs["egret"].barred
    # A start without a snapshot knows it from the journal, and does not ask anew.
    assert gone_from(Store(after.log, []), setup.site).newcomers == ()
    again = started(after, setup, [])
    assert again.packs["stork"].barred == after.world.packs["stork"].barred
    after.hear(Released(after.now + MINUTE, "stork"))
    assert not after.world.packs["stork"].barred
    for shots in ([], [shot(after, after.world)]):
        assert gone_from(Store(after.log, shots), setup.site).newcomers == ()
        assert not started(after, setup, shots).packs["stork"].barred


def test_a_new_pack_is_held_for_no_pack_that_may_be_used() -> None:
    stage = stage_of(RULES, TWO)
    stage.hear(sample(BEGIN + MINUTE, soc=95.0))
    store = Store(stage.log, [shot(stage, stage.world)])
    assert gone_from(store, on(stage, "stork", "egret").site) == Gone({}, ())

"""A pack that leaves the site file and comes back, or is called otherwise: its harm stays."""

from __future__ import annotations

from dataclasses import replace

from kit import BEGIN, HOUR, MINUTE, Stage, make_site, sample, stage_of
from test_restart import Store

from carerules.domain.event import Happened, Released
from carerules.loop import Setup, World, make_setup
from carerules.service import dump_world, restore, unnamed

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
    store = Store(stage.log, [shot(stage, stage.world)])
    renamed = on(stage, "stork", "egret").site
    for journal in (store, Store(stage.log, [])):
        (said,) = unnamed(journal, renamed)
        assert said.startswith("heron stands in it no more, and must not be charged")
        assert "record PACK swelling" in said
    assert unnamed(store, TWO) == ()
    stage.hear(Released(stage.now + MINUTE, "heron"))
    assert unnamed(Store(stage.log, store.shots), renamed) == ()

"""Many packs: a step shares what it does not change, and decides what it would decide for few."""

from __future__ import annotations

from typing import Any

import pytest
from kit import BEGIN, HOUR, MINUTE, Stage, events_of, make_site, run, stage_of

from carerules.domain.decision import Fired, JobBegan
from carerules.loop import by_name
from carerules.loop.chunks import CHUNK, Chunked
from carerules.service.memory import dump_world, load_world

RULES = """
when pack.soc >= 95 %: drain to 80 %
when number of packs where (pack.soc > 90 %) >= 1: notify "one is full"
"""
STORY = "1s off_bench; 2s on=bench; 3s soc=96 cells=4.16,4.16,4.16,4.16,4.16,4.16 t=21; 9m t=21"


def test_a_changed_copy_shares_all_chunks_but_one() -> None:
    few = {f"p{n}": n for n in range(CHUNK)}
    assert by_name(few) is few
    many = {f"p{n}": n for n in range(3 * CHUNK + 1)}
    kept = by_name(many)
    assert isinstance(kept, Chunked)
    assert kept == many
    assert list(kept) == list(many), "in the order of their names in the site file"
    after = kept.having("p200", -1)
    assert dict(after) == {**many, "p200": -1}
    assert kept == many, "the one before is as it was"
    shared = [a is b for a, b in zip(kept._chunks, after._chunks, strict=True)]
    assert shared == [True, False, True, True]
    with pytest.raises(KeyError):
        kept.having("nobody", 0)


def played() -> Stage:
    stage = stage_of(RULES, make_site(packs=("heron", "egret"), stations=("bench",)))
    run(stage, events_of(STORY), BEGIN + HOUR)
    return stage


def test_packs_in_chunks_decide_the_same(monkeypatch: Any) -> None:
    plain = played()
    monkeypatch.setattr("carerules.loop.chunks.CHUNK", 1)
    chunked = played()
    assert isinstance(chunked.world.packs, Chunked)
    assert isinstance(chunked.world.plugs, Chunked)
    assert chunked.all(Fired)
    assert chunked.all(JobBegan)
    assert chunked.log == plain.log
    back = load_world(dump_world(chunked.world), chunked.world.setup)
    assert back is not None
    assert isinstance(back.packs, Chunked)
    assert back.hangs == {"bench": "heron"}
    assert chunked.now - BEGIN > 50 * MINUTE

"""A kept plan leaves nobody without a word: where it has none left, the job has its own back."""

from __future__ import annotations

from dataclasses import replace

from kept_kit import SLOW, begun, kept, on, plan_chores, two_full
from shed_kit import T0, at_level, world_of

from carerules.domain.event import (
    Placed,
    PlanKept,
    Started,
    Tick,
)
from carerules.domain.keptplan import GIVEN_UP, KeptWish
from carerules.domain.moment import HOUR, MINUTE, SECOND
from carerules.loop import World, learn, next_due
from carerules.planner import kept_lines, kept_shape
from carerules.service import dump_world, load_world


def own_words(world: World) -> list[str]:
    """What jobs ask for themselves."""
    return [one.text for one in world.chores.values() if "on a station with a" in one.text]


def test_a_move_that_is_long_overdue_leaves_the_word_to_the_job_again() -> None:
    """Heron's drain never comes to its end, so that nobody is told of the swap; and nobody makes
    the plan anew."""
    world = kept(two_full())
    assert world.kept is not None
    (move,) = world.kept.moves
    late = move.at + GIVEN_UP
    world, _ = on(world, at_level(96.0, at=late - MINUTE), Tick(late))
    assert (plan_chores(world), own_words(world)) == ({}, [])
    assert next_due(world) <= late + 1
    world, _ = on(world, Tick(late + 1))
    assert [text.partition(":")[0] for text in own_words(world)] == [
        "put egret on a station with a load"
    ]


def test_what_the_plan_does_without_is_the_jobs_own_word_again_once_it_was_due() -> None:
    world = kept(two_full())
    assert world.kept is not None
    (move,) = world.kept.moves
    due = world.now + HOUR
    wish = KeptWish("egret", "load", 80.0, "no room", world.now, due, "slow")
    world, _ = on(world, PlanKept(world.now, replace(world.kept, moves=(), left_out=(wish,))))
    assert move.pack == "egret"
    assert own_words(world) == []
    assert list(plan_chores(world)) == ["plan without egret load 80"]
    assert next_due(world) <= due
    world, _ = on(world, Tick(due))
    assert plan_chores(world) == {}
    assert len(own_words(world)) == 1


def test_nobody_is_told_to_take_off_what_is_not_read_back_off() -> None:
    """It was told to go off, and power still flows."""
    world = kept(two_full())
    assert world.kept is not None
    (move,) = world.kept.moves
    world, _ = on(world, at_level(80.0, at=move.tell - MINUTE))
    for says in ({"on": True, "power_w": None}, {"on": False, "power_w": 60.0}):
        load = replace(world.plugs["A-load"], on_at=None, off_at=world.now, **says)
        sought = replace(world, plugs={**world.plugs, "A-load": load})
        assert plan_chores(learn(sought, Tick(move.tell), ())) == {}


def test_a_plan_of_a_pack_that_the_site_no_longer_has_goes_with_all_it_said() -> None:
    """The site file is edited and the service started anew: the swap is on no plan any more, and
    the job that waits for a place says so itself."""
    packs = {"heron": "lipo", "egret": "lipo", "grebe": "lipo"}
    world = kept(begun(world_of(SLOW, Placed(T0, "heron", "A"), at_level(100.0),
                                at_level(100.0, "egret"), packs=packs)))  # fmt: skip
    assert world.kept is not None
    (move,) = world.kept.moves
    world, _ = on(world, at_level(80.0, at=move.tell - MINUTE), Tick(move.tell))
    assert plan_chores(world)
    assert own_words(world) == []
    fewer = world_of(SLOW, packs={name: packs[name] for name in ("heron", "egret")}).setup
    again = load_world(dump_world(world), fewer)
    assert again is not None
    assert max(map(len, kept_lines(kept_shape(again)))) <= 80
    again, _ = on(again, Started(move.tell + SECOND))
    assert again.kept is None
    assert plan_chores(again) == {}
    assert len(own_words(again)) == 1

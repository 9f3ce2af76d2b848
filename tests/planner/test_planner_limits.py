"""No schedule breaks a limit, by word of the verifier; and the verifier finds what is broken."""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable
from dataclasses import fields, replace
from types import ModuleType

import planner_kit
import pytest
from hypothesis import given, settings
from planner_kit import A, B, charge, drain, problem, problems, way

from carerules.planner import (
    Move,
    PackTask,
    Problem,
    Run,
    Schedule,
    Way,
    Wish,
    broken_limits,
    by_rule,
    has_solver,
    solved,
    verify,
)


@given(problems(steps_max=24, packs_max=4, wishes_max=8))
@settings(max_examples=150, deadline=None)
def test_the_simple_rule_breaks_no_limit(drawn: Problem) -> None:
    assert broken_limits(drawn, by_rule(drawn)) == ()


@pytest.mark.skipif(not has_solver(), reason="the extra `planner` is not installed")
@given(problems(steps_max=16, packs_max=4, wishes_max=6))
@settings(max_examples=25, deadline=None)
def test_the_solver_breaks_no_limit_and_is_never_dearer(drawn: Problem) -> None:
    schedule = solved(drawn, seconds=5.0)
    assert broken_limits(drawn, schedule) == ()
    assert schedule.cost.total <= by_rule(drawn).cost.total
    assert schedule.bound is not None
    assert schedule.bound <= schedule.cost.total


# ---- the verifier itself ------------------------------------------------------------------------

HERON = PackTask("heron", A, 2_000, (drain(0, 12, [way(A, 3, [(0, 10)]), way(B, 3, [(0, 10)])]),))
EGRET = PackTask(
    "egret", None, 1_500,
    (charge(2, 12, [way(A, 4, [(2, 9)], 180), way(B, 4, [(2, 9)], 180)], gap=0),),
)  # fmt: skip
GREBE = PackTask("grebe", None, 1_500, (charge(0, 12, [way(B, 2, [(0, 11)], 180)]),))
NIGHT = problem([HERON, EGRET, GREBE], 12, "######..####", circuit_w=200)
GOOD = by_rule(NIGHT)


def test_a_good_schedule_has_nothing_broken() -> None:
    assert GOOD.left_out == ()
    assert broken_limits(NIGHT, GOOD) == ()


def shifted(by: int, pack: str) -> Callable[[Schedule], Schedule]:
    def plant(good: Schedule) -> Schedule:
        runs = tuple(
            replace(run, begin=run.begin + by, end=run.end + by) if run.pack == pack else run
            for run in good.runs
        )
        return replace(good, runs=runs)

    return plant


def with_move(move: Move) -> Callable[[Schedule], Schedule]:
    return lambda good: replace(good, moves=(*good.moves, move))


def without_moves(good: Schedule) -> Schedule:
    return replace(good, moves=())


def with_run(run: Run) -> Callable[[Schedule], Schedule]:
    return lambda good: replace(good, runs=(*good.runs, run))


@pytest.mark.parametrize(
    ("plant", "says"),
    [
        (shifted(-20, "heron"), "outside the steps"),
        (without_moves, "it is not there at step"),
        (with_move(Move(6, "heron", B)), "nobody is awake"),
        (with_move(Move(11, "gull", B)), "there is no such thing"),
        (with_move(Move(11, "heron", "C")), "there is no such thing"),
        (with_run(Run("heron", 0, B, 5, 8)), "one wish is met twice"),
        (with_run(Run("heron", 4, B, 5, 8)), "there is no such wish"),
        (with_run(Run("heron", 0, "C", 5, 8)), "there is no such station"),
        (lambda good: replace(good, left_out=(("heron", 0),)), "neither met nor said"),
        (lambda good: replace(good, runs=good.runs[1:]), "neither met nor said"),
        (lambda good: replace(good, cost=replace(good.cost, ageing=1)), "the price of ageing"),
        (lambda good: replace(good, cost=replace(good.cost, moves=1)), "the price of moves"),
        (lambda good: replace(good, cost=replace(good.cost, energy=1)), "the price of energy"),
        (lambda good: replace(good, cost=replace(good.cost, left_out=1)), "wishes left out"),
        (lambda good: replace(good, bound=good.cost.total + 1), "the bound lies above"),
        (
            lambda good: replace(
                good, runs=tuple(replace(run, end=run.end - 1) for run in good.runs)
            ),
            "wanted 3",
        ),
    ],
)
def test_what_is_planted_is_found(plant: Callable[[Schedule], Schedule], says: str) -> None:
    found = broken_limits(NIGHT, plant(GOOD))
    assert any(says in one for one in found), found


@pytest.mark.parametrize(
    ("night", "schedule", "says"),
    [
        (NIGHT, shifted(30, "egret"), "outside the steps"),
        (
            problem([HERON, EGRET, GREBE], 12, circuit_w=100),
            lambda good: good,
            "180 W at the wall, at most 100 W",
        ),
        (
            problem([replace(HERON, station=None), EGRET, GREBE], 12, "######..####"),
            lambda good: good,
            "it is not there",
        ),
        (
            problem([HERON, replace(EGRET, wishes=()), GREBE], 12),
            lambda good: good,
            "there is no such wish",
        ),
    ],
)
def test_a_schedule_of_another_night_is_found(
    night: Problem, schedule: Callable[[Schedule], Schedule], says: str
) -> None:
    assert any(says in one for one in broken_limits(night, schedule(GOOD)))


def test_too_early_too_late_and_too_soon_after_are_found() -> None:
    both = PackTask(
        "heron", A, 2_000,
        (drain(2, 12, [way(A, 3, [(2, 10)])]), charge(2, 12, [way(A, 2, [(2, 11)])], gap=2)),
    )  # fmt: skip
    night = problem([both], 12)
    good = by_rule(night)
    assert good.left_out == ()

    def said(*runs: tuple[int, int, int]) -> str:
        moved = [Run("heron", wish, A, begin, end) for wish, begin, end in runs]
        return "; ".join(broken_limits(night, replace(good, runs=tuple(moved))))

    assert "it may not begin at step 1; " in said((0, 1, 4), (1, 9, 11))
    assert "wanted from step 2 on" in said((0, 1, 4), (1, 9, 11))
    assert "too soon after wish 0" in said((0, 2, 5), (1, 6, 8))
    assert "too soon" not in said((0, 2, 5), (1, 7, 9))
    alone = replace(good, runs=good.runs[1:], left_out=(("heron", 0),))
    follower = replace(both, wishes=(both.wishes[0], replace(both.wishes[1], follows=True)))
    found = broken_limits(problem([follower], 12), alone)
    assert any("the wish that it follows is left out" in one for one in found)
    late = replace(
        both, wishes=(replace(both.wishes[0], ready=1, due=4, ways=(way(A, 3, [(1, 2)]),)),)
    )
    found = broken_limits(problem([late], 12), replace(good, runs=(Run("heron", 0, A, 2, 5),)))
    assert any("wanted by step 4" in one for one in found)
    unread = problem([replace(both, wishes=(replace(both.wishes[0], read=True),))], 12)
    asleep = replace(unread, packs=(replace(both, wishes=both.wishes[:1]),), awake=(False,) * 12)
    found = broken_limits(unread, replace(good, runs=(Run("heron", 0, A, 2, 5),)))
    assert not any("nobody is awake to read" in one for one in found)
    object.__setattr__(asleep, "packs", unread.packs)  # a problem that none could be made as
    found = broken_limits(asleep, replace(good, runs=(Run("heron", 0, A, 2, 5),)))
    assert any("nobody is awake to read" in one for one in found)


def test_two_packs_on_one_station_are_found() -> None:
    more = with_move(Move(11, "heron", B))(GOOD)
    assert any("hang on B" in one for one in broken_limits(NIGHT, more)), broken_limits(NIGHT, more)


# ---- a limit more --------------------------------------------------------------------------------

ONLY_SAID = {"begin", "percent", "why", "use", "whole"}
"""What a problem holds for those who show it; no schedule could break it."""
PASSED_OVER = {
    verify: ONLY_SAID,
    # It goes by the ways alone: each names its station, and begins within the wish's time, and
    # while somebody is awake where the pack is to be read.
    planner_kit: ONLY_SAID | {"stations", "ready", "due", "read"},
}


@pytest.mark.parametrize("looks", PASSED_OVER, ids=lambda one: one.__name__)
def test_a_limit_more_is_looked_at(looks: ModuleType) -> None:
    """By the verifier, and by what tries every schedule: each field stands in them, or above."""
    looked_at = set(re.findall(r"\.(\w+)", inspect.getsource(looks)))
    there = {one.name for kind in (Problem, PackTask, Wish, Way) for one in fields(kind)}
    assert there - looked_at - PASSED_OVER[looks] == set()

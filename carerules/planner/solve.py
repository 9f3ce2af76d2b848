"""A schedule for a problem: by the solver where it is installed, else by the simple rule.

Knows both ways. Does not trust either: what comes out is verified.
"""

from __future__ import annotations

from dataclasses import replace
from importlib.util import find_spec
from time import monotonic

from carerules.planner.greedy import by_rule, improved
from carerules.planner.problem import Problem, Schedule
from carerules.planner.verify import broken_limits

SECONDS = 10.0
"""So long the solver looks where nobody says otherwise."""


def has_solver() -> bool:
    """Whether the extra `planner` is installed."""
    return find_spec("ortools") is not None


def solved(problem: Problem, seconds: float = SECONDS, *, simple: bool = False) -> Schedule:
    """The cheapest schedule that is found in so many seconds; `simple`: the simple rule's."""
    until = monotonic() + seconds
    schedule = by_rule(problem)
    if simple or not has_solver():
        schedule = improved(problem, schedule, lambda: monotonic() < until)
    else:
        # Imported when it is asked for: it takes longer than all the rest of a command.
        from carerules.planner.optimal import cheapest  # noqa: PLC0415

        schedule = cheapest(problem, schedule, max(0.1, until - monotonic()))
    broken = broken_limits(problem, schedule)
    assert not broken, broken[0]
    return schedule


def fits_alone(problem: Problem, pack: str, number: int) -> bool:
    """Whether the wish could be met if no other pack wanted anything."""
    packs = tuple(
        one if one.name == pack else replace(one, wishes=()) for one in problem.packs
    )  # fmt: skip
    alone = replace(problem, packs=packs)
    return (pack, number) not in by_rule(alone).left_out

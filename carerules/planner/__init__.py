"""The night ahead: which pack hangs on which station when, and who moves it.

Knows worlds, hours and prices. Switches nothing and decides nothing: rules do.
"""

from carerules.planner.drawing import plan_drawing
from carerules.planner.gather import Asked, problem_of
from carerules.planner.greedy import by_rule
from carerules.planner.hours import AWAKE, Hours, Tariff, inside, read_tariff, read_window
from carerules.planner.lines import plan_lines
from carerules.planner.problem import (
    Cost,
    Move,
    PackTask,
    Problem,
    Run,
    Schedule,
    Way,
    Weights,
    Wish,
)
from carerules.planner.said import plan_shape
from carerules.planner.shapes import PlanShape
from carerules.planner.solve import SECONDS, has_solver, solved
from carerules.planner.verify import broken_limits

__all__ = [
    "AWAKE",
    "SECONDS",
    "Asked",
    "Cost",
    "Hours",
    "Move",
    "PackTask",
    "PlanShape",
    "Problem",
    "Run",
    "Schedule",
    "Tariff",
    "Way",
    "Weights",
    "Wish",
    "broken_limits",
    "by_rule",
    "has_solver",
    "inside",
    "plan_drawing",
    "plan_lines",
    "plan_shape",
    "problem_of",
    "read_tariff",
    "read_window",
    "solved",
]

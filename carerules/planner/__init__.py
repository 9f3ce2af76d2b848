"""The night ahead: which pack hangs on which station when, and who moves it.

Knows worlds, hours and prices. Switches nothing and decides nothing: rules do.
"""

from carerules.planner.drawing import NARROW, WIDE, drawn_on, plan_drawing
from carerules.planner.gather import Asked, problem_of
from carerules.planner.greedy import by_rule
from carerules.planner.hours import (
    inside,
    last_passing,
    noon_after,
    read_window,
    with_prices,
)
from carerules.planner.kept import kept_plan, kept_shape, planned_simply
from carerules.planner.lines import (
    kept_lines,
    move_words_of,
    plan_lines,
    proof_words,
    reading_words,
    run_words,
)
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
from carerules.planner.shapes import KeptPlanShape, KeptShape, PlanShape
from carerules.planner.solve import SECONDS, has_solver, solved
from carerules.planner.verify import broken_limits

__all__ = [
    "NARROW",
    "SECONDS",
    "WIDE",
    "Asked",
    "Cost",
    "KeptPlanShape",
    "KeptShape",
    "Move",
    "PackTask",
    "PlanShape",
    "Problem",
    "Run",
    "Schedule",
    "Way",
    "Weights",
    "Wish",
    "broken_limits",
    "by_rule",
    "drawn_on",
    "has_solver",
    "inside",
    "kept_lines",
    "kept_plan",
    "kept_shape",
    "last_passing",
    "move_words_of",
    "noon_after",
    "plan_drawing",
    "plan_lines",
    "plan_shape",
    "planned_simply",
    "problem_of",
    "proof_words",
    "read_window",
    "reading_words",
    "run_words",
    "solved",
    "with_prices",
]

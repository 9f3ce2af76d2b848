"""A price that no schedule can undercut, and runs that come near it: columns in fractions.

Knows the solver of linear programs (OR-tools, extra `planner`). Does not know zeros and ones.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from math import ceil, fsum

from ortools.linear_solver import pywraplp

from carerules.domain.frozen import guarded
from carerules.planner.columns import Table, table_of
from carerules.planner.problem import Problem, Run

SHARE_LEAST = 1e-6


@guarded
class Relaxed:
    """The bound (units), and the runs that the fractions chose: most of it first."""

    bound: int
    runs: tuple[Run, ...]


def relaxed(problem: Problem, seconds: float) -> Relaxed | None:
    """The problem with fractions allowed; None: it took too long."""
    table = table_of(problem)
    solver = pywraplp.Solver.CreateSolver("GLOP")
    solver.SetTimeLimit(max(1, int(1_000 * seconds)))
    variables = [solver.NumVar(0.0, solver.infinity(), "") for _ in range(table.size)]
    rows = []
    for row in table.rows:
        made = solver.Constraint(row.most if row.exact else -solver.infinity(), row.most)
        for one, factor in row.terms:
            made.SetCoefficient(variables[one], factor)
        rows.append(made)
    objective = solver.Objective()
    for one, price in table.prices.items():
        objective.SetCoefficient(variables[one], price)
    objective.SetMinimization()
    if solver.Solve() != pywraplp.Solver.OPTIMAL:
        return None
    shares: dict[Run, float] = defaultdict(float)
    for one, column in table.columns.items():
        shares[column.run] += variables[one].solution_value()
    chosen = [(-share, run.begin, run.station, run.pack, run.wish, run)
              for run, share in shares.items() if share > SHARE_LEAST]  # fmt: skip
    bound = _bound(table, [row.dual_value() for row in rows])
    return Relaxed(bound, tuple(one[-1] for one in sorted(chosen)))


def _bound(table: Table, duals: Sequence[float]) -> int:
    """The bound that the rows' prices prove, whatever the solver's tolerances.

    With any price at or below 0 for each row, and any at all for an exact one, no choice of zeros
    and ones costs less than `base`, the rows' prices, and each column's where that is left below 0.
    """
    left = [float(table.prices.get(one, 0)) for one in range(table.size)]
    proven = [float(table.base)]
    for row, dual in zip(table.rows, duals, strict=True):
        price = dual if row.exact else min(0.0, dual)
        proven.append(price * row.most)
        for one, factor in row.terms:
            left[one] -= price * factor
    proven += [one for one in left if one < 0]
    # A schedule's price is whole; the floats here are good to far less than a thousandth of a unit.
    return ceil(fsum(proven) - 1e-3)

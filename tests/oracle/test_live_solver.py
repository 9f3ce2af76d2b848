"""Fresh random conditions against the solver itself, and its table made anew.

Needs z3 (docs/oracles/README.md); not part of the ordinary tests. Each run draws other cases and
prints the number they came from; CARERULES_ORACLE_CASES says how many.
"""

from __future__ import annotations

import json
import os
import sys
from importlib.metadata import version
from pathlib import Path
from random import SystemRandom

import pytest

z3 = pytest.importorskip("z3")

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / "docs" / "oracles"), str(ROOT / "tests" / "prove")]

import solver  # noqa: E402
from test_prove_table import CASES, prover_says  # noqa: E402

FRESH = int(os.environ.get("CARERULES_ORACLE_CASES", "200"))


def test_the_prover_agrees_on_fresh_cases() -> None:
    number = SystemRandom().randrange(2**32)
    print(f"cases from {number}")
    left_open = 0
    for case in solver.make(number, FRESH):
        said = prover_says(case["one"], case["other"])
        left_open += said is None  # a condition that falls into too many cases
        assert said in (None, case), case
    assert left_open <= FRESH / 20


def test_the_table_is_what_the_solver_says() -> None:
    kept = json.loads((ROOT / "docs" / "oracles" / "solver.json").read_text("utf-8"))
    assert solver.make() == kept["cases"] == CASES
    assert kept["made by"].keys() == {"z3-solver"}
    print(f"made by {kept['made by']}, compared with {version('z3-solver')}")


def test_the_solver_can_say_no() -> None:
    low, high = (
        solver.Compare(solver.SOC, op, solver.Quantity(limit, solver.SOC.dimension))
        for op, limit in (("<", 40.0), (">", 60.0))
    )
    assert not solver.Solver().can_be(low, high)
    assert solver.Solver().can_be(solver.Or((low, high)))

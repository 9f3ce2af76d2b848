"""The prover against a solver for arithmetic, on plans too wide for trying out every value.

The solver is no part of the project: without it these tests are not run (extra `oracle`). Two
`for`s that are both wanted hold together when what they hold can be true together, so that the
solver need not know time; `in last` and what is not held are left to the other tests.
"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from prove_kit import HERON, SIGNALS
from random_plans import LIMITS, RANGES, ROOM, SMOKE, SOC, WARMTH, atoms, rule

from carerules.domain.condition import (
    And,
    Between,
    Compare,
    Condition,
    For,
    Not,
    Or,
    SignalValue,
    ValueOf,
)
from carerules.domain.moment import HOUR
from carerules.domain.plan import Plan
from carerules.domain.quantity import Quantity
from carerules.lang.prove import prove

z3 = pytest.importorskip("z3", reason="the solver is no part of the project: extra `oracle`")

SIGNAL_NAMES = (SOC, WARMTH, ROOM, SMOKE)
CPU = settings(max_examples=200, deadline=None)


def wide(leaves: int) -> st.SearchStrategy[Condition]:
    """Trees over four signals and over one signal against another."""
    pairs = st.builds(
        Compare, st.just(WARMTH), st.sampled_from(("<", "<=", ">", ">=")), st.just(ROOM)
    )

    def grown(inner: st.SearchStrategy[Condition]) -> st.SearchStrategy[Condition]:
        many = st.lists(inner, min_size=2, max_size=4).map(tuple)
        return st.one_of(st.builds(And, many), st.builds(Or, many), st.builds(Not, inner))

    return st.recursive(atoms(SIGNAL_NAMES) | pairs, grown, max_leaves=leaves)


def held(condition: Condition) -> Condition:
    return For(condition, HOUR)


class Solver:
    """One question to the solver."""

    def __init__(self) -> None:
        self.names = {signal: z3.Real(signal.name) for signal in LIMITS}
        self.solver = z3.Solver()
        for signal, (low, high) in RANGES.items():
            self.solver.add(self.names[signal] >= low, self.names[signal] <= high)
        smoke = self.names[SMOKE]
        self.solver.add(z3.Or(smoke == 0, smoke == 1))

    def can_be(self, *conditions: Condition) -> bool:
        self.solver.add(*(self.said(condition) for condition in conditions))
        return bool(self.solver.check() == z3.sat)

    def said(self, condition: Condition) -> Any:
        match condition:
            case Compare(left, op, right):
                a, b = self.value(left), self.value(right)
                return {"<": a < b, "<=": a <= b, ">": a > b, ">=": a >= b, "=": a == b,
                        "!=": a != b}[op]  # fmt: skip
            case Between(value, low, high):
                return z3.And(self.value(value) >= low.value, self.value(value) <= high.value)
            case And(parts):
                return z3.And(*map(self.said, parts))
            case Or(parts):
                return z3.Or(*map(self.said, parts))
            case Not(part):
                return z3.Not(self.said(part))
            case For(part, _):
                return self.said(part)
            case _:
                raise AssertionError(condition)

    def value(self, value: ValueOf) -> Any:
        if isinstance(value, Quantity):
            return z3.RealVal(str(value.value))
        assert isinstance(value, SignalValue)
        return self.names[value]


@CPU
@given(wide(12))
def test_never_fires_and_always_true(when: Condition) -> None:
    proofs = prove(Plan((rule("a", when),)), SIGNALS, (HERON,))
    if not proofs.undecided:
        assert bool(proofs.never_true) is not Solver().can_be(when)
        assert bool(proofs.always_true) is not Solver().can_be(Not(when))


@CPU
@given(wide(8), wide(8))
def test_rivals(one: Condition, other: Condition) -> None:
    proofs = prove(
        Plan((rule("a", held(one), 0.0), rule("b", held(other), 0.5))), SIGNALS, (HERON,)
    )
    to_move = Compare(SOC, ">", Quantity(0.5, SOC.dimension))
    if not proofs.undecided:
        assert bool(proofs.rivals) is Solver().can_be(one, other, to_move)


def test_the_solver_can_say_no() -> None:
    low, high = Compare(SOC, "<", Quantity(40.0, SOC.dimension)), Compare(
        SOC, ">", Quantity(60.0, SOC.dimension)
    )  # fmt: skip
    assert not Solver().can_be(low, high)
    assert Solver().can_be(Or((low, high)))

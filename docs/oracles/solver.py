"""Makes solver.json: invented conditions over four signals, and whether z3 finds values for them.

    PYTHONPATH=. oracle-venv/bin/python docs/oracles/solver.py

Conditions are said in the rule language; what the solver is asked is built from their trees here,
with nothing of the prover.
"""

from __future__ import annotations

import json
from importlib.metadata import version
from pathlib import Path
from random import Random
from typing import Any

import z3

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
from carerules.domain.quantity import CHARGE_LEVEL, SWITCH, TEMPERATURE, Quantity
from carerules.domain.signal import catalogue
from carerules.domain.wording import wording
from carerules.lang import load

SOC = SignalValue("pack.soc", CHARGE_LEVEL)
WARMTH = SignalValue("pack.temperature", TEMPERATURE)
ROOM = SignalValue("site.temperature", TEMPERATURE)
SMOKE = SignalValue("site.smoke", SWITCH)
RANGES = {SOC: (0, 100), WARMTH: (-40, 120), ROOM: (-40, 80), SMOKE: (0, 1)}
LIMITS = {SOC: (20, 40, 60, 80), WARMTH: (5, 20, 45), ROOM: (5, 20, 30)}
CASES = 300
MADE_FROM = 20_261_126


class Solver:
    """One question: whether all of the conditions can be true together."""

    def __init__(self) -> None:
        self.names = {signal: z3.Real(signal.name) for signal in RANGES}
        self.solver = z3.Solver()
        for signal, (low, high) in RANGES.items():
            self.solver.add(self.names[signal] >= low, self.names[signal] <= high)
        smoke = self.names[SMOKE]
        self.solver.add(z3.Or(smoke == 0, smoke == 1))

    def can_be(self, *conditions: Condition) -> bool:
        """Whether there are values for which all are true."""
        self.solver.add(*(self.said(condition) for condition in conditions))
        return bool(self.solver.check() == z3.sat)

    def said(self, condition: Condition) -> Any:
        """The condition in the solver's own words. Two `for`s that are both wanted hold together
        when what they hold can be true together, so that it need not know time."""
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
        """A number, or a signal."""
        if isinstance(value, Quantity):
            return z3.RealVal(str(value.value))
        assert isinstance(value, SignalValue)
        return self.names[value]


def random_condition(chance: Random, depth: int) -> Condition:
    """A tree over four signals, and over one signal against another."""
    kind = chance.random() if depth else 0.0
    if kind < 0.35:
        return random_leaf(chance)
    if kind < 0.5:
        return Not(random_condition(chance, depth - 1))
    parts = tuple(random_condition(chance, depth - 1) for _ in range(chance.randint(2, 3)))
    return And(parts) if kind < 0.78 else Or(parts)


def random_leaf(chance: Random) -> Condition:
    """One comparison."""
    signal = chance.choice([SOC, WARMTH, ROOM, SMOKE, None])
    if signal is None:
        return Compare(WARMTH, chance.choice(["<", "<=", ">", ">="]), ROOM)
    if signal is SMOKE:
        return Compare(SMOKE, chance.choice(["=", "!="]), Quantity(1.0, SWITCH))
    one, other = sorted(chance.sample(LIMITS[signal], 2))
    if chance.random() < 0.2:
        low, high = (Quantity(float(limit), signal.dimension) for limit in (one, other))
        return Between(signal, low, high)
    op = chance.choice(["<", "<=", ">", ">=", "=", "!="])
    return Compare(signal, op, Quantity(float(one), signal.dimension))


def make(number: int = MADE_FROM, cases: int = CASES) -> list[dict[str, Any]]:
    """So many cases: two conditions, and whether each can be, can be otherwise, and both can be."""
    chance, found = Random(number), []
    while len(found) < cases:
        one, other = random_condition(chance, 5), random_condition(chance, 4)
        if not (loads(one) and loads(other)):
            continue  # refused before any proof: two neighbours contradict at a glance
        found.append({
            "one": wording(one), "other": wording(For(other, HOUR)),
            "can be": Solver().can_be(one), "can be otherwise": Solver().can_be(Not(one)),
            "both can be": Solver().can_be(one, other),
        })  # fmt: skip
    return found


def loads(condition: Condition) -> bool:
    """Whether a rule file may hold it."""
    text = f'rule a when {wording(condition)}: notify "a"\n'
    return load({"a.care": text}, catalogue=catalogue()).plan is not None


if __name__ == "__main__":
    table = {"made by": {"z3-solver": version("z3-solver")}, "cases": make()}
    text = json.dumps(table, indent=1, ensure_ascii=False) + "\n"
    (Path(__file__).parent / "solver.json").write_text(text, encoding="utf-8")

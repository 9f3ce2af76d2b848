"""What scenarios have touched: which rules fired, and which sides of which conditions were seen.

Knows plans and benches. Does not know how a scenario came out.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from carerules.domain.condition import Condition, parts
from carerules.domain.decision import Fired
from carerules.domain.frozen import guarded
from carerules.domain.plan import Plan
from carerules.domain.quantity import Truth
from carerules.domain.wording import wording
from carerules.engine import Explained, explain
from carerules.loop import facts_of
from carerules.sim.trial import Bench
from carerules.sim.verdict import Watcher


@dataclass(slots=True)
class Coverage(Watcher):
    """Gathers over any number of scenarios. `sides`: by rule and words of a part, what was seen."""

    fired: set[str] = field(default_factory=set)
    sides: dict[tuple[str, str], set[Truth]] = field(default_factory=dict)

    def look(self, bench: Bench) -> None:
        """Every part of every rule of every pack, as it is now."""
        world = bench.world
        self.fired |= {one.outcome.rule for one in bench.happened if isinstance(one.outcome, Fired)}
        for name, state in world.packs.items():
            facts = facts_of(world, name)
            bound = world.setup.bound[name]
            for rule, known in zip(bound.rules, state.rules, strict=True):
                seen = explain(rule.when, known.memory, facts, world.now)
                for part in _flat(seen):
                    sides = self.sides.setdefault((rule.rule.name, part.words), set())
                    sides.add(part.truth)


@guarded
class Untouched:
    """What no scenario touched: a rule that never fired, or a side of one of its conditions."""

    rule: str
    what: str


def untouched(plan: Plan, coverage: Coverage, rules: Iterable[str]) -> list[Untouched]:
    """What is missing for these rules, in the order of the plan."""
    wanted = set(rules)
    missing: list[Untouched] = []
    for rule in plan.rules:
        if rule.name not in wanted:
            continue
        if rule.name not in coverage.fired:
            missing.append(Untouched(rule.name, "it never fired"))
        for part in _sided(rule.when):
            seen = coverage.sides.get((rule.name, wording(part)), set())
            missing += [
                Untouched(rule.name, f"`{wording(part)}` was never {word}")
                for truth, word in ((Truth.YES, "true"), (Truth.NO, "false"))
                if truth not in seen
            ]
    return missing


def sides_in(plan: Plan, rules: Iterable[str]) -> int:
    """How many sides there are to touch: each rule's firing, and both of each of its conditions."""
    wanted = set(rules)
    return sum(1 + 2 * len(_sided(rule.when)) for rule in plan.rules if rule.name in wanted)


def _sided(condition: Condition) -> list[Condition]:
    """The condition and its parts, but for a whole that is only its parts put together."""
    inner = [one for part in parts(condition) for one in _sided(part)]
    return [condition, *inner]


def _flat(explained: Explained) -> list[Explained]:
    return [explained, *(one for part in explained.parts for one in _flat(part))]

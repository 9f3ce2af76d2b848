"""Crossings, samples, windows and numbers of packs: what the prover makes of each of them."""

from __future__ import annotations

import pytest
from prove_kit import HERON, SIGNALS, codes, pack, played, proofs_of, truths
from random_plans import SOC, WARMTH, rule

from carerules.domain.condition import (
    And,
    Compare,
    Condition,
    CountIn,
    Crosses,
    For,
    InLast,
    InSamples,
    Not,
    NumberOfPacks,
    OverWindow,
)
from carerules.domain.moment import HOUR
from carerules.domain.plan import Plan
from carerules.domain.quantity import CHARGE_LEVEL, COUNT, TEMPERATURE, Quantity, Truth
from carerules.lang.prove import Proofs, prove

PACKS = (HERON, pack("egret"), pack("teal"))


def charge(op: str, level: float) -> Compare:
    return Compare(SOC, op, Quantity(level, CHARGE_LEVEL))  # type: ignore[arg-type]


def warm(op: str, degrees: float) -> Compare:
    return Compare(WARMTH, op, Quantity(degrees, TEMPERATURE))  # type: ignore[arg-type]


def window(kind: str, op: str, level: float, time: int = 2 * HOUR) -> Compare:
    return Compare(OverWindow(kind, SOC, time), op, Quantity(level, CHARGE_LEVEL))  # type: ignore[arg-type]


def charges(op: str, number: int) -> Compare:
    lately = CountIn("charge", 4 * HOUR)
    return Compare(lately, op, Quantity(float(number), COUNT))  # type: ignore[arg-type]


def packs_where(where: Condition, op: str, number: int) -> Compare:
    return Compare(NumberOfPacks(where), op, Quantity(float(number), COUNT))  # type: ignore[arg-type]


def of_two(one: Condition, other: Condition) -> tuple[Plan, Proofs]:
    plan = Plan((rule("a", one, 0.0), rule("b", other, 0.5)))
    return plan, prove(plan, SIGNALS, PACKS)


RISES = Crosses(SOC, Quantity(80.0, CHARGE_LEVEL), True)
FALLS = Crosses(SOC, Quantity(80.0, CHARGE_LEVEL), False)
OFTEN = InSamples(warm(">", 40), 3, 5)
EACH = InSamples(warm(">", 40), 3, 3)
MANY_FULL = charge(">", 90)

# What the row shows, two conditions, whether they can be true together.
TABLE: list[tuple[str, Condition, Condition, bool]] = [
    ("has risen above, and is", RISES, charge(">", 90), True),
    ("has risen above, and is not", RISES, charge("<", 70), False),
    ("rises and falls at one level", RISES, FALLS, False),
    ("has risen, and has not", RISES, Not(RISES), False),
    ("is beyond, and has not crossed", Not(RISES), charge("<", 70), True),
    ("three of the last five were warm, now it is cold", OFTEN, warm("<", 10), True),
    ("all of the last three were, now it is not", EACH, warm("<", 10), False),
    ("three of five were, and not three of five", OFTEN, Not(OFTEN), False),
    ("the highest of some time is not below now", window("max", "<", 60), charge(">", 70), False),
    ("the lowest is not above now", window("min", ">", 60), charge("<", 50), False),
    ("the highest above the lowest", window("max", "<", 60), window("min", ">", 70), False),
    ("the mean lies between", window("mean", ">", 70), window("max", "<", 60), False),
    ("the highest of a long time and of a short one", window("max", "<", 60, 3 * HOUR),
     window("max", ">", 70, HOUR), False),
    ("held high, so that the lowest is high", For(charge(">", 90), 3 * HOUR),
     window("min", "<", 80), False),
    ("steady", window("max", "<", 60), window("min", ">", 50), True),
    ("none is full, and this one is", packs_where(MANY_FULL, "=", 0), charge(">", 95), False),
    ("none is full, and this one is not", packs_where(MANY_FULL, "=", 0), charge("<", 80), True),
    ("all are full, and this one is not", packs_where(MANY_FULL, "=", 3), charge("<", 80), False),
    ("more than there are", packs_where(MANY_FULL, ">", 3), charge("<", 80), False),
    ("two, and this one is not", packs_where(MANY_FULL, "<", 2), charge("<", 80), True),
]  # fmt: skip


@pytest.mark.parametrize(("says", "one", "other", "wanted"), TABLE, ids=[r[0] for r in TABLE])
def test_other_values(says: str, one: Condition, other: Condition, wanted: bool) -> None:
    plan, proofs = of_two(one, other)
    assert bool(proofs.rivals) is wanted
    assert not proofs.undecided
    if wanted:
        stage = played(plan, proofs.rivals[0].witness, PACKS)
        assert [stage.truth(one) for one in plan.rules] == [Truth.YES, Truth.YES], proofs.rivals


def test_all_of_the_packs_are_this_one_too() -> None:
    both = packs_where(MANY_FULL, "=", 3), charge(">", 95)
    assert of_two(*both)[1].rivals
    assert not prove(Plan((rule("a", both[0], 0.0), rule("b", both[1], 0.5))), SIGNALS, ()).rivals


def test_a_count_comes_to_what_it_is_one_by_one() -> None:
    """From none to two, and never one in between: the engine sees each charge as it comes."""
    one = For(Not(charges("=", 1)), HOUR)
    other = InLast(charges("<", 1), HOUR)
    plan, proofs = of_two(one, And((other, charges(">", 1))))
    assert not proofs.rivals
    assert proofs.undecided
    plan, proofs = of_two(For(charges(">", 0), HOUR), InLast(charges("<", 2), HOUR))
    assert truths(plan, proofs.rivals[0].witness, PACKS) == [Truth.YES, Truth.YES]


@pytest.mark.parametrize(("now", "can_be"), [(">", True), ("<", False)])
def test_what_is_counted_leaves_its_window_no_sooner_than_it_came(now: str, can_be: bool) -> None:
    """None an hour ago, two since then: in four hours none of them has been forgotten."""
    before = InLast(charges("<", 1), HOUR), InLast(charges(">", 1), HOUR)
    plan, proofs = of_two(And(before), And((charges(now, 2), charges(">", 0))))
    assert bool(proofs.rivals) is can_be
    if can_be:
        assert truths(plan, proofs.rivals[0].witness, PACKS) == [Truth.YES, Truth.YES]


def test_where_it_is_unknown_it_says_so() -> None:
    """A look back inside a look back, whose parts take turns: neither proved nor refuted."""
    inner = And((InLast(charge(">", 90), HOUR), InLast(charge("<", 10), HOUR)))
    proofs = prove(Plan((rule("a", InLast(inner, HOUR)),)), SIGNALS, (HERON,))
    assert codes(proofs) == ["not-decided"]
    assert not proofs.never_true


def test_too_many_cases_are_said_to_be_too_many() -> None:
    """Twelve `or`s of two in one `and`: 4096 cases, of which nothing is said, in no time."""
    either = " and ".join(
        f"(pack.temperature > {n + 1} °C or site.temperature > {n + 1} °C or count use in last"
        f" {n + 1} d > 2)" for n in range(10)
    )  # fmt: skip
    proofs = proofs_of(
        f"rule a when {either}: drain to 50\nrule b when pack.soc > 90: drain to 40\n"
    )
    assert set(codes(proofs)) == {"not-decided"}
    assert "96 cases" in proofs.diagnostics()[0].message


def test_the_work_of_a_hostile_plan_is_bounded() -> None:
    """500 rules that all meet: it stops at its bound, says so, and shows a hundred messages."""
    rules = "".join(
        f"rule r{n} when (pack.soc > {n % 90} or pack.temperature > {n % 40} °C) and"
        f" (site.temperature > {n % 30} °C or pack.health > {n % 50}): drain to {n % 88}.{n} %\n"
        for n in range(480)
    )  # fmt: skip
    spent = proofs_of(rules, None)
    assert "not-decided" in codes(spent)
    assert len(spent.diagnostics()) == 100


def test_a_bound_of_nothing_decides_nothing() -> None:
    from prove_kit import plan_of

    plan = plan_of(
        "rule a when pack.soc > 90: drain to 80\nrule b when pack.soc > 85: drain to 50\n"
    )
    proofs = prove(plan, SIGNALS, (HERON,), meets=0)
    assert not proofs.rivals
    assert set(codes(proofs)) == {"not-decided"}

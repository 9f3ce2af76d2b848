"""The prover against a table of answers that a solver for arithmetic gave (z3, docs/oracles).

Three hundred pairs of conditions over four signals, and over one signal against another: whether
each can be true, whether it can be false, and whether both can be true together. They are wider
than what the random plans try out value by value.
"""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import pytest
from prove_kit import HERON, SIGNALS, plan_of

from carerules.lang.prove import prove

ROOT = Path(__file__).parents[2]
CASES = json.loads((ROOT / "docs" / "oracles" / "solver.json").read_text("utf-8"))["cases"]
RULES = "rule a when {one}: drain to 0\nrule b when {other}: drain to 0.5 %\n"


def prover_says(one: str, other: str) -> dict[str, object] | None:
    """The same answers as a case of the table has; None: it says that it does not know."""
    plan = plan_of(RULES.format(one=one, other=other))
    proofs = prove(plan, SIGNALS, (HERON,))
    if proofs.undecided:
        return None
    first = plan.rules[0]
    return {
        "one": one, "other": other,
        "can be": first not in [found.what for found in proofs.never_true],
        "can be otherwise": first not in [found.what for found in proofs.always_true],
        "both can be": bool(proofs.rivals),
    }  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=range(len(CASES)))
def test_the_prover_says_what_the_solver_says(case: dict[str, object]) -> None:
    assert prover_says(str(case["one"]), str(case["other"])) == case


def test_the_table_holds_every_kind_of_answer() -> None:
    for question in ("can be", "can be otherwise", "both can be"):
        answers = Counter(case[question] for case in CASES)
        assert min(answers[True], answers[False]) > 15

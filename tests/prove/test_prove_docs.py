"""docs/proofs.md: each example gives what stands below it; each code is provoked and mended."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from prove_kit import SIGNALS, codes, plan_of, proofs_of

from carerules.domain.diagnostic import Diagnostic, Severity
from carerules.lang.prove import PROOF_CODES, prove
from carerules.lang.prove.interlock import MODEL

ROOT = Path(__file__).parents[2]
DOCS = (ROOT / "docs" / "proofs.md").read_text("utf-8")
EXAMPLES = re.findall(r"```care\n(.*?)```(?:\s*```text\n(.*?)```)?", DOCS, re.DOTALL)


def said(found: Diagnostic) -> list[str]:
    return [f"{found.code}: {found.message}", *(f"note: {note}" for note, _ in found.notes)]


@pytest.mark.parametrize(("rules", "told"), EXAMPLES, ids=[r.split()[1] for r, _ in EXAMPLES])
def test_each_example_gives_what_stands_below_it(rules: str, told: str) -> None:
    proofs = prove(plan_of(rules), SIGNALS)
    lines = [line for one in proofs.diagnostics() for line in said(one)]
    lines += proofs.table().splitlines()
    for line in told.splitlines():
        assert line in lines
    if not told:
        assert not proofs.diagnostics()


def test_there_are_examples() -> None:
    assert len(EXAMPLES) == 7
    assert sum(bool(told) for _, told in EXAMPLES) == 6


def test_the_page_states_the_model_that_is_printed() -> None:
    page = " ".join(DOCS.split())
    for line in MODEL:
        assert line in page


def test_the_page_lists_every_code_with_its_weight() -> None:
    rows = dict(re.findall(r"^\| `([a-z-]+)` \| ([a-z, ]+) \|", DOCS, re.MULTILINE))
    assert rows.keys() == PROOF_CODES.keys()
    for name, code in PROOF_CODES.items():
        assert rows[name].endswith("warning") is (code.warning or name == "ping-pong")


@pytest.mark.parametrize("name", [n for n, code in PROOF_CODES.items() if code.wrong])
def test_each_code_is_provoked_and_mended(name: str) -> None:
    code = PROOF_CODES[name]
    found = [one for one in proofs_of(code.wrong).diagnostics() if one.code == name]
    assert found
    assert all((one.severity is Severity.WARNING) is code.warning for one in found)
    assert name not in codes(proofs_of(code.right))


def test_messages_keep_the_house_style() -> None:
    for code in PROOF_CODES.values():
        for one in proofs_of(code.wrong).diagnostics() if code.wrong else ():
            assert not one.message.endswith(".")
            assert "\n" not in one.message
            assert one.message[0].islower() or one.message[0] == "`"
            assert one.mend is not None

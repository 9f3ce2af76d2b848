"""docs/safety.md numbers the safety contract; code and tests name its promises by number."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "safety.md").read_text("utf-8")
SECTION = PAGE.split("\n## The contract, by number\n")[1].split("\n## ")[0]
PROMISED = [int(number) for number in re.findall(r"^\| (\d+) ", SECTION, re.M)]
NAMED = re.compile(r"\bSAFETY (\d+(?:(?:, | and )\d+)*)")

STATEMENTS = {"SELECT", "LIMIT", "DEFAULT"}
"""Words of SQL before a number."""


def named(text: str) -> set[int]:
    """The promises that a text names."""
    return {int(one) for found in NAMED.findall(text) for one in re.findall(r"\d+", found)}


def texts(*folders: str) -> dict[str, str]:
    """The modules below these folders, by path."""
    return {
        str(file.relative_to(ROOT)): file.read_text("utf-8")
        for folder in folders
        for file in sorted((ROOT / folder).rglob("*.py"))
        if file != Path(__file__)
    }


def test_the_promises_are_numbered_from_one_on() -> None:
    assert list(range(1, len(PROMISED) + 1)) == PROMISED
    assert len(PROMISED) > 10


def test_the_contract_is_named_with_a_number() -> None:
    bare = [
        file
        for file, text in texts("carerules", "benchmarks").items()
        if re.search(r"\bSAFETY\b(?! \d)", text)
    ]
    assert bare == []


def test_every_number_that_is_named_is_a_promise() -> None:
    unknown = {
        file: strange
        for file, text in texts("carerules", "tests", "benchmarks").items()
        if (strange := named(text) - set(PROMISED))
    }
    assert unknown == {}


def test_no_other_list_is_named_by_number() -> None:
    """What a comment names can be looked up: the contract is the only list of ours."""
    named_so = {
        (file, word)
        for file, text in texts("carerules", "benchmarks").items()
        for word in re.findall(r"\b([A-Z]{5,}) \d", text)
    }
    assert {word for _, word in named_so} - STATEMENTS == {"SAFETY", "CODATA"}

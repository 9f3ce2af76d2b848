"""A kind of condition or value more is tried in each room that has conditions of its own making.

A room that never meets it would pass, whatever became of it there.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

import pytest

from carerules.domain.condition import Condition, ValueOf
from carerules.lang import KEYWORDS
from carerules.lang.reference_forms import CONDITIONS, VALUES

TESTS = Path(__file__).parents[1]
LANGUAGE = (TESTS.parent / "docs" / "language.md").read_text("utf-8")
KINDS = {kind.__name__ for kind in (*get_args(Condition), *get_args(ValueOf))}
BY_ITS_WORDS = {"OnDays": "on sat, sun", "NumberOfPacks": "number of packs where"}
"""Of those that are tried as text, how that reads."""
ROOMS = {
    "read back from its wording": "lang/test_lang_right.py",
    "laid out": "format/programs.py",
    "held against outside monitors": "oracle_tables/test_until.py",
    "replayed as the engine has it": "replay/*.py",
    "proved": "prove/*.py",
}


@pytest.mark.parametrize("files", ROOMS.values(), ids=ROOMS)
def test_a_kind_more_is_tried(files: str) -> None:
    text = "\n".join(file.read_text("utf-8") for file in sorted(TESTS.glob(files)))
    words = set(re.findall(r"\w+", text))
    missing = {one for one in KINDS - words if BY_ITS_WORDS.get(one, one) not in text}
    assert missing == set()
    assert len(KINDS) >= 19


@pytest.mark.parametrize(
    ("head", "rows"), [("Conditions", CONDITIONS), ("Values", VALUES)], ids=["conditions", "values"]
)
def test_a_form_more_stands_in_the_table_of_the_language(
    head: str, rows: tuple[tuple[str, str, str], ...]
) -> None:
    """Its words in their order, in one piece of code: the page shows some forms by example."""
    _, _, told = LANGUAGE.partition(f"\n## {head}\n")
    table = "\n".join(line for line in told.partition("\n## ")[0].split("\n") if line[:1] == "|")
    shown = {_words(code) for code in re.findall(r"`([^`]*)`", table)}
    alike = {"min": "max", "mean": "max"}  # named beside the one that is shown
    wanted = {tuple(alike.get(word, word) for word in _words(form)) for form, *_ in rows}
    assert len(wanted) >= 8
    assert wanted - shown == set()


def _words(code: str) -> tuple[str, ...]:
    """The language's own words in it; a signal's name has none."""
    plain = re.sub(r"\w+(\.\w+)+", "", code)
    return tuple(word for word in re.findall(r"[a-z]+", plain) if word in KEYWORDS)

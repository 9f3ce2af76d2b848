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
    """Each word of a form, that is: the page shows some forms by example."""
    _, _, told = LANGUAGE.partition(f"\n## {head}\n")
    table = "\n".join(line for line in told.partition("\n## ")[0].split("\n") if line[:1] == "|")
    shown = set(re.findall(r"[a-z]+", " ".join(re.findall(r"`[^`]*`", table))))
    wanted = {word for form, *_ in rows for word in re.findall(r"[a-z]+", form)} & set(KEYWORDS)
    assert len(wanted) > 8
    assert wanted - shown == set()

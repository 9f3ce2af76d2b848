"""The room that has the last word stays small enough to be read at one sitting."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOM = Path(__file__).parents[2] / "carerules" / "safety"
CODE_LINES_MAX = 600
"""Without blank lines, docstrings and comments, which say units, sources and why. Our own measure,
no source."""


def code_lines(text: str) -> int:
    """The lines of a module that are neither blank, nor comment, nor a text that stands alone."""
    words: set[int] = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            words.update(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    lines = [
        line.strip() for number, line in enumerate(text.splitlines(), 1) if number not in words
    ]
    return sum(bool(line) and not line.startswith("#") for line in lines)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ('"""What it knows.\n\nMore.\n"""\n\nX = 1\n"""Why (V)."""\n', 1),
        ("# why\ndef f():\n    '''What.'''\n\n    return 2  # because\n", 2),
        ("a = [\n    1,\n\n    2,\n]\n", 4),
    ],
)
def test_what_counts_as_code(text: str, wanted: int) -> None:
    assert code_lines(text) == wanted


def test_the_room_stays_small() -> None:
    assert sum(code_lines(one.read_text("utf-8")) for one in ROOM.glob("*.py")) <= CODE_LINES_MAX

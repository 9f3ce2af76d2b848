"""The words of the language, read off the grammar.

Knows spellings. Does not know the parser library: who only wants the words does not pay for it.
"""

from __future__ import annotations

import re
from functools import cache
from importlib.resources import files

GRAMMAR = (files("carerules.lang") / "care.lark").read_text(encoding="utf-8")
"""The grammar, as it lies beside this module."""

SOFT = frozenset({"a"})
"""Words in one place only (`on a station`), and good names everywhere else."""

KEYWORDS = frozenset(re.findall(r'^[A-Z]+: "([a-z]+)"$', GRAMMAR, re.MULTILINE)) - SOFT
"""The reserved words: no rule, `let`, group, pack, tag, role or channel is named so."""


@cache
def keywords() -> frozenset[str]:
    """The reserved words, in the spelling of the grammar's terminals: `WHEN`, `DRAIN`."""
    return frozenset(word.upper() for word in KEYWORDS)

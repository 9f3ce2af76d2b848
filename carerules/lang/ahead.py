"""What could be written next at a place in a text.

Knows how the grammar goes on. Does not know which names there are to choose from.
"""

from __future__ import annotations

from carerules.domain.frozen import guarded
from carerules.lang.findings import Findings
from carerules.lang.parse import words_before
from carerules.lang.scan import scan
from carerules.lang.syntax import Word

STAND_IN = "x"  # for the word that is still to come: a name, since a name fits nearly anywhere


@guarded
class Ahead:
    """`wanted`: terminals of the grammar that fit, in its spelling. `words`: those of the statement
    so far. Both are empty behind a slip that no guess gets over."""

    wanted: frozenset[str]
    words: tuple[Word, ...]


def ahead(text: str) -> Ahead:
    """What fits at the end of the text. Never raises for what stands in it."""
    items = list(scan(text + STAND_IN, "", Findings()))
    if not items:
        return Ahead(frozenset(), ())
    wanted, words = words_before(items[-1])
    return Ahead(frozenset(wanted), tuple(words))

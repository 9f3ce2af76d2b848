"""Rule text in; a checked plan, or diagnostics, out.

Knows text. Does not know packs' states, time or wires. `format`, `prove` and `reference` have doors
of their own: most who load rules need none of them.
"""

from carerules.lang.codes import CODES, Code
from carerules.lang.load import Fetch, Loaded, load
from carerules.lang.scan import read_text
from carerules.lang.scope import Names
from carerules.lang.tables import forget_grammar
from carerules.lang.words import KEYWORDS

__all__ = [
    "CODES", "KEYWORDS", "Code", "Fetch", "Loaded", "Names",
    "forget_grammar", "load", "read_text",
]  # fmt: skip

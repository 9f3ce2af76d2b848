"""Rule text in; a checked plan, or diagnostics, out.

Knows text. Does not know packs' states, time or wires.
"""

from carerules.lang.ahead import Ahead, ahead
from carerules.lang.codes import CODES, Code
from carerules.lang.format import NOT_LAID_OUT, format_text
from carerules.lang.load import Fetch, Loaded, load
from carerules.lang.memo import Memo
from carerules.lang.names import Mention, NameKind, Outline, Statement, outline
from carerules.lang.reference import Entry, reference
from carerules.lang.scan import read_text
from carerules.lang.scope import Names
from carerules.lang.words import KEYWORDS

__all__ = [
    "CODES", "KEYWORDS", "NOT_LAID_OUT", "Ahead", "Code", "Entry", "Fetch", "Loaded", "Memo",
    "Mention", "NameKind", "Names", "Outline", "Statement", "ahead", "format_text", "load",
    "outline", "read_text", "reference",
]  # fmt: skip

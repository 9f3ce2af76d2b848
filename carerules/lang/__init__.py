"""Rule text in; a checked plan, or diagnostics, out.

Knows text. Does not know packs' states, time or wires.
"""

from carerules.lang.codes import CODES, Code
from carerules.lang.format import NOT_LAID_OUT, format_text
from carerules.lang.load import Fetch, Loaded, load
from carerules.lang.scan import read_text
from carerules.lang.scope import Names

__all__ = [
    "CODES", "NOT_LAID_OUT", "Code", "Fetch", "Loaded", "Names", "format_text", "load", "read_text",
]  # fmt: skip

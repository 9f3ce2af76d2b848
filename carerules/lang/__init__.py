"""Rule text in; a checked plan, or diagnostics, out.

Knows text. Does not know packs' states, time or wires.
"""

from carerules.lang.codes import CODES, Code
from carerules.lang.load import Fetch, Loaded, load
from carerules.lang.scan import read_text
from carerules.lang.scope import Names

__all__ = ["CODES", "Code", "Fetch", "Loaded", "Names", "load", "read_text"]

"""Care rules for lithium packs: written once, kept through the night.

Knows its version. Does not import any room: who wants one names it.
"""

__version__ = "0.1.0"

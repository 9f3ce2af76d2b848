"""Rule text in; a checked plan, or diagnostics, out.

Knows text. Does not know packs' states, time or wires.
"""

"""What a pack is doing: its charge with its doubt, from voltage, current, energy and entries.

Knows chemistry. Does not know rules, stations or safety.
"""

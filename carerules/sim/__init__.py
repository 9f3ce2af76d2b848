"""Packs, plugs and a room that exist in numbers only, from a seed.

Knows the truth of its own world, which the core never sees.
"""

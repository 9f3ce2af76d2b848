"""Checked rules and facts in, intents out: conditions in event time, activations, jobs.

Pure. Does not know text, batteries or wires.
"""

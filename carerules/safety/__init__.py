"""The last word on each intent: a command, or a veto with its reason; and the lease on each plug.

Knows packs, limits and plugs. Does not know rules: no wording of a rule can talk it round.
"""

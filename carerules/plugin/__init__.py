"""What a plug-in is: code of somebody else's that reaches a plug which no profile reaches alone.

Knows the contract, and nothing else of carerules. Does not know who keeps it (the package does), or
who holds it to it (`adapters/pluginline`).
"""

from __future__ import annotations

from carerules.plugin.contract import GROUP, Maker, PlugIn, RefusedError, SilentError, Way

__all__ = ["GROUP", "Maker", "PlugIn", "RefusedError", "SilentError", "Way"]

"""The editor service on the wire.

Knows the protocol library, as no other room does. Does not know what an answer says.
"""

from carerules.lsp.server.handlers import CareServer, build

__all__ = ["CareServer", "build"]

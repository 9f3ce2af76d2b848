"""The editor service on the wire: the only rooms that know the protocol library."""

from carerules.lsp.server.handlers import CareServer, build

__all__ = ["CareServer", "build"]

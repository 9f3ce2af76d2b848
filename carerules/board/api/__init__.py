"""The interface for programs: the shapes of `--json` over HTTP, and entries by the same door.

Knows forms and shapes. Does not decide anything.
"""

from carerules.board.api.routes import api_routes

__all__ = ["api_routes"]

"""The interface for programs: the shapes of `--json` over HTTP, and entries by the same door.

Knows forms and shapes. Does not decide anything. It is read in when a program first asks: most
boards are looked at by people alone, and its forms take half a megabyte.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.routing import Mount
from starlette.types import ASGIApp, Receive, Scope, Send

if TYPE_CHECKING:
    from carerules.board.api.answers import Ground

__all__ = ["BASE", "api_routes"]

BASE = "/api/1"


def api_routes(ground: Ground) -> Mount:
    """Everything below `BASE`, answered from `ground`."""
    return Mount(BASE, _OnDemand(ground))


class _OnDemand:
    def __init__(self, ground: Ground) -> None:
        self._ground = ground
        self._app: ASGIApp | None = None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if self._app is None:
            from carerules.board.api.routes import api_app  # noqa: PLC0415

            self._app = api_app(self._ground)
        await self._app(scope, receive, send)

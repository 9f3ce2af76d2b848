"""In front of everything: who is let in, how much may be sent, and what each answer carries.

Knows the protocol between server and application (ASGI). Does not know the pages.
"""

from __future__ import annotations

from collections.abc import Callable

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from carerules.board.access import Access
from carerules.board.pages import trouble_page
from carerules.board.problem import problem
from carerules.board.vitals import PROBES

PATH_CHARS_MAX = 300
FREE = ("/come-in", "/static/board.css", "/static/mark.svg", *PROBES)
"""What the page that asks for the token needs, and what supervisors ask."""
MACHINES = ("/api/", "/metrics", *PROBES)
"""Asked by programs: what is wrong is said in one line of JSON, not as a page."""

HEADERS = {
    # No script but our own file, no style but our own sheet, nothing from anywhere else, in no
    # frame, and forms go nowhere but here.
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    # Not `no-referrer`: browsers then send `Origin: null` with our own forms.
    "referrer-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}


class Gate:
    """Wraps the application; every request passes here, and every answer."""

    def __init__(self, app: ASGIApp, access: Access, ask: Callable[[], str]) -> None:
        """`ask` makes the page that asks for the token."""
        self._app, self._access, self._ask = app, access, ask

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                sent = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    sent[name] = value
                sent.setdefault("cache-control", "no-store")
            await send(message)

        answer = self._stopped(scope, headers)
        if answer is not None:
            await answer(scope, receive, guarded)
        else:
            await self._app(scope, receive, guarded)

    def _stopped(self, scope: Scope, headers: Headers) -> Response | None:
        refusal = self._access.refusal(scope["method"], headers)
        if refusal is not None:
            return _not_let_in(scope, refusal.status, refusal.why)
        if len(scope["path"]) > PATH_CHARS_MAX or len(scope["query_string"]) > PATH_CHARS_MAX:
            return _not_let_in(scope, 414, "the address is too long")
        if scope["path"] not in FREE and not self._access.knows(headers):
            if scope["path"].startswith(MACHINES):
                why = "found no token, wanted `Authorization: Bearer TOKEN` of this board"
                return problem(401, why, {"www-authenticate": "Bearer"})
            return HTMLResponse(self._ask(), 401)
        return None


def _not_let_in(scope: Scope, status: int, why: str) -> Response:
    if scope["path"].startswith(MACHINES):
        return problem(status, why, {"allow": "GET, HEAD, POST"} if status == 405 else None)
    return HTMLResponse(trouble_page("Not let in", why), status)

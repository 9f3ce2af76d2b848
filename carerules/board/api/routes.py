"""The addresses for programs, served.

Knows the table (`doors`) and the web's library. Does not know what an address does, and answers in
JSON only.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from carerules.adapters import Problem
from carerules.board.api import BASE
from carerules.board.api.answers import Answers, Ground
from carerules.board.api.doors import DOORS, Door
from carerules.board.api.openapi import document_text
from carerules.board.api.words import read_query
from carerules.board.problem import problem
from carerules.domain.ports import JournalError


def api_app(ground: Ground) -> Starlette:
    """All of them, each answered by a shape or a problem."""
    answers = Answers(ground)

    async def described(_request: Request) -> Response:
        return Response(document_text(), media_type="application/json")

    app = Starlette(
        routes=[
            Route("/openapi.json", described, methods=["GET"]),
            *(Route(one.path, _behind(answers, one), methods=[one.method]) for one in DOORS),
        ],
        exception_handlers={HTTPException: _no_such},
    )
    app.router.redirect_slashes = False
    return app


def _behind(answers: Answers, door: Door) -> Callable[[Request], Awaitable[Response]]:
    async def answer(request: Request) -> Response:
        query = read_query(door.query, request.query_params.multi_items())
        if isinstance(query, Problem):
            return problem(400, query.show())
        try:
            return await door.answer(answers, request, query)
        except JournalError as error:
            return problem(503, str(error))

    return answer


async def _no_such(_request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    if error.status_code == 404:
        return problem(404, f"found no such address, wanted one of `{BASE}/openapi.json`")
    why = f"found {error.detail.lower()}, wanted what the address takes"
    return problem(error.status_code, why, error.headers)

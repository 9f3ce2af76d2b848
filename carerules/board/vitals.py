"""Where machines look: the metrics, whether the process lives, whether the service is ready.

Knows requests and answers. Does not know what is measured (`metrics`).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from carerules.board.exposition import CONTENT_TYPE, exposition
from carerules.board.metrics import families_of, unready
from carerules.board.source import Source
from carerules.domain.ports import JournalError
from carerules.report import StatusShape

PROBES = ("/alive", "/ready")
"""Asked by programs that have no token; they are told yes or no, and name nothing of the site."""


def vital_routes(source: Source, look: Callable[[], StatusShape]) -> list[Route]:
    """The addresses. `look` gives the status as the board has it, one look for all who ask."""

    async def metrics(_request: Request) -> Response:
        def text() -> str:
            return exposition(families_of(look(), source.vitals()))

        try:
            body = await asyncio.to_thread(text)
        except JournalError as error:
            return PlainTextResponse(f"{error}\n", 503)
        return Response(body.encode(), media_type=CONTENT_TYPE)

    async def alive(_request: Request) -> Response:
        return PlainTextResponse("the process answers\n")

    async def ready(_request: Request) -> Response:
        try:
            why = await asyncio.to_thread(lambda: unready(look(), source.vitals()))
        except JournalError:
            why = ["the journal cannot be read"]
        return PlainTextResponse("".join(f"{one}\n" for one in why or ["ready"]),
                                 503 if why else 200)  # fmt: skip

    return [
        Route("/metrics", metrics, methods=["GET"]),
        Route("/alive", alive, methods=["GET"]),
        Route("/ready", ready, methods=["GET"]),
    ]

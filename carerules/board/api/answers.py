"""What the interface for programs answers: the shapes of `--json`, and entries by the one door.

Knows requests, shapes and problems. Does not know how an answer is described (`openapi`).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import datetime
from typing import Literal, Protocol

from pydantic import BaseModel
from starlette.requests import Request
from starlette.responses import Response

from carerules.adapters import LineClock, Problem
from carerules.board.api.words import (
    BODY_BYTES_MAX,
    ForecastQuery,
    HealthQuery,
    LogQuery,
    Nothing,
    StopEntry,
    WhyQuery,
    entry_of,
    read_body,
)
from carerules.board.asked import Asker
from carerules.board.halt import Halt
from carerules.board.problem import problem
from carerules.board.source import Source
from carerules.config import SiteFile
from carerules.planner import kept_shape
from carerules.report import (
    ChoresShape,
    ForecastShape,
    HealthShape,
    LogShape,
    StatusShape,
    WhyShape,
    chores_of,
    status_of,
    uses_of,
    why_of,
)
from carerules.report.shapes import Shape
from carerules.service.diary import log_after
from carerules.service.handing import hand_in


class EntryShape(Shape):
    """What became of an entry. `taken_in` false: it is kept, and no service has answered yet."""

    shape: Literal[1] = 1
    taken_in: bool
    text: str


class Ground(Protocol):
    """What an answer is made of: the board's own parts."""

    site: SiteFile
    source: Source
    asked: Asker
    halt: Halt
    wake: Callable[[], None]


class Answers:
    """One for each board."""

    def __init__(self, ground: Ground) -> None:
        self._on = ground

    # ---- looking -------------------------------------------------------------------------------

    async def status(self, _request: Request, _query: Nothing) -> Response:
        """As `carerules status --json`."""
        return _shown(await asyncio.to_thread(self._on.source.look))

    async def pack(self, request: Request, _query: Nothing) -> Response:
        """As `carerules status PACK --json`; health without what needs the pack's past."""
        name = request.path_params["pack"]
        if name not in self._on.site.site.packs:
            return _no_pack()

        def look() -> StatusShape:
            view = self._on.source.view()
            return status_of(view.world, view.keeper, [name])

        return _shown(await asyncio.to_thread(look))

    async def why(self, request: Request, query: WhyQuery) -> Response:
        """As `carerules why PACK --json`."""
        name = request.path_params["pack"]
        if name not in self._on.site.site.packs:
            return _no_pack()
        if query.at is not None:
            at = _moment(query.at)
            if at is None:
                return problem(400, f"found `{query.at}`, wanted a time that the calendar has")
            wall = at.astimezone(self._on.site.site.local.zone).isoformat(timespec="seconds")
            told = await self._on.asked.ask(WhyShape, "why", name, f"--at={wall}")
            if isinstance(told, str):
                return problem(404, told)
            return _shown(_only(told, query.rule))

        def look() -> WhyShape | None:
            view = self._on.source.view()
            return why_of(view.world, name) if view.keeper.rules_loaded else None

        shape = await asyncio.to_thread(look)
        if shape is None:
            return problem(503, "the rules have errors; mend: `carerules check` shows where")
        if query.rule is not None and query.rule not in [one.rule for one in shape.rules]:
            return problem(404, "found no such rule, wanted one that takes in this pack")
        return _shown(_only(shape, query.rule))

    async def log(self, _request: Request, query: LogQuery) -> Response:
        """As `carerules log --json`."""
        if query.pack is not None and query.pack not in self._on.site.site.packs:
            return _no_pack()
        shape = await asyncio.to_thread(self._log, query)
        return _shown(shape)

    def _log(self, query: LogQuery) -> LogShape:
        world = self._on.source.view().world
        return log_after(self._on.site.journal, world, query.after, query.limit, query.pack)

    async def chores(self, _request: Request, _query: Nothing) -> Response:
        """As `carerules chore --json`."""

        def look() -> ChoresShape:
            view = self._on.source.view()
            return chores_of(view.world, view.keeper)

        return _shown(await asyncio.to_thread(look))

    async def plan(self, _request: Request, _query: Nothing) -> Response:
        """As `carerules plan --kept --json`."""
        return _shown(await asyncio.to_thread(lambda: kept_shape(self._on.source.view().world)))

    async def uses(self, _request: Request, _query: Nothing) -> Response:
        """As `carerules uses list --json`."""
        return _shown(await asyncio.to_thread(lambda: uses_of(self._on.source.view().world)))

    async def forecast(self, request: Request, query: ForecastQuery) -> Response:
        """As `carerules forecast PACK drain|charge TARGET --json`."""
        name = request.path_params["pack"]
        if name not in self._on.site.site.packs:
            return _no_pack()
        words = ["forecast", name, query.action, f"{query.to:.6f} %"]
        words += [] if query.by is None else [f"--by={query.by}"]
        words += [] if query.start is None else [f"--soc={query.start:.6f} %"]
        told = await self._on.asked.ask(ForecastShape, *words)
        return problem(409, told) if isinstance(told, str) else _shown(told)

    async def health(self, _request: Request, query: HealthQuery) -> Response:
        """As `carerules health --json`."""
        if query.pack is not None and query.pack not in self._on.site.site.packs:
            return _no_pack()
        words = ["health"] if query.pack is None else ["health", query.pack]
        told = await self._on.asked.ask(HealthShape, *words)
        return problem(503, told) if isinstance(told, str) else _shown(told)

    # ---- entering ------------------------------------------------------------------------------

    async def enter(self, request: Request, _query: Nothing) -> Response:
        """As the board's own buttons and the command line's entries."""
        kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
        if kind != "application/json":
            return problem(415, "found no JSON, wanted `Content-Type: application/json`")
        body = bytearray()
        async for chunk in request.stream():
            body += chunk
            if len(body) > BODY_BYTES_MAX:
                return problem(413, f"found a longer body, wanted at most {BODY_BYTES_MAX} bytes")
        read = read_body(bytes(body))
        if isinstance(read, Problem):
            return problem(400, read.show())
        if isinstance(read, StopEntry):
            return await self._stop()
        on = self._on
        entry = entry_of(read, on.site.site, LineClock().wall(on.site.site.local.zone))
        if isinstance(entry, Problem):
            return problem(409, entry.show())
        handed = await asyncio.to_thread(hand_in, on.site, entry, on.wake)
        if handed.refused:
            return problem(409, handed.words())
        taken = handed.answer is not None
        return _shown(EntryShape(taken_in=taken, text=handed.words()), 200 if taken else 202)

    async def _stop(self) -> Response:
        state = await asyncio.to_thread(self._on.halt.press)
        words = "; ".join(state.words)
        if state.failed:
            return problem(503, words)
        return _shown(EntryShape(taken_in=state.over, text=words), 200 if state.over else 202)


def _only(shape: WhyShape, rule: str | None) -> WhyShape:
    if rule is None:
        return shape
    rules = [one for one in shape.rules if one.rule == rule]
    return shape.model_copy(update={"rules": rules, "nevers": []})


def _shown(shape: BaseModel, status: int = 200) -> Response:
    return Response(shape.model_dump_json(), status, media_type="application/json")


def _no_pack() -> Response:
    return problem(404, "found no such pack, wanted a pack of the site file")


def _moment(text: str) -> datetime | None:
    """The moment; None: the calendar or the clock has none such. A leap second is the one before:
    no clock of ours shows it (RFC 3339, 5.7)."""
    try:
        at = datetime.fromisoformat(text.replace(":60", ":59"))
        at.timestamp()
    except (ValueError, OverflowError):
        return None
    return at

"""The page served: what each address answers, and the server that listens.

Knows requests and answers. Does not decide anything: entries and stops go where the command line's
go. It runs in a thread of its own beside a service, or alone on a journal.
"""

from __future__ import annotations

import asyncio
import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING
from urllib.parse import quote

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from carerules.adapters import LineClock, Problem
from carerules.board.access import COOKIE, Access, same
from carerules.board.api import api_routes
from carerules.board.asked import Asker
from carerules.board.controls import Form, entry_of, first
from carerules.board.forms import Edited, edited_of, form_of
from carerules.board.gate import Gate
from carerules.board.halt import BY, Halt
from carerules.board.live import Watchers
from carerules.board.packrow import Note, Row
from carerules.board.pages import (
    Said,
    board_page,
    board_parts,
    door_page,
    edit_page,
    findings_part,
    pack_page,
    pack_parts,
    past_page,
    plan_page,
    plan_parts,
    rules_page,
    trouble_page,
    why_page,
)
from carerules.board.past import HOURS, past_of, why_page_of
from carerules.board.rulework import RuleWork
from carerules.board.source import Source
from carerules.board.view import Board, board_of
from carerules.board.vitals import vital_routes
from carerules.config import SiteFile
from carerules.domain.ports import JournalError
from carerules.loop import World
from carerules.report import TimelineShape, WhyShape, status_of
from carerules.service.handing import hand_in
from carerules.service.stopping import stopper

if TYPE_CHECKING:
    from carerules.board.planview import PlanView

SAID_MAX = 64
"""Answers kept for pages that have not asked for theirs yet."""
NOT_READ = "it is taken up when the service starts again, or is told to read its rules (SIGHUP)"
WRONG_TOKEN_S = 1.0
"""So long a wrong token waits for its answer, one after the other."""


class Pages:
    """The answers. One for each site that is shown."""

    def __init__(
        self, site: SiteFile, source: Source, access: Access,
        wake: Callable[[], None] = lambda: None,
        reread: Callable[[], str] = lambda: NOT_READ,
    ) -> None:  # fmt: skip
        """`wake` has a service in this process look for entries at once, `reread` has it read its
        rules again, and gives what came of that in words."""
        self.site, self.source, self.access, self.wake = site, source, access, wake
        self.asked = Asker(site)
        self.work, self.reread = RuleWork(site, self.asked), reread
        self.halt = Halt(stopper(site, BY))
        self.watchers = Watchers()
        self._said: OrderedDict[str, Said] = OrderedDict()
        self._seen: tuple[object, Board] | None = None
        self._looking = threading.Lock()
        self._wrong = asyncio.Lock()

    # ---- looking -------------------------------------------------------------------------------

    def version(self) -> object:
        """Differs when the page may."""
        return self.source.version(), self.halt.state, self.source.silent_s() > 0

    def _board(self) -> Board:
        """The board as it is now; looked up once for all who ask at the same time."""
        with self._looking:
            now = self.version()
            if self._seen is None or self._seen[0] != now:
                view = self.source.view()
                status = status_of(view.world, view.keeper)
                self._seen = now, board_of(status, _plan_of(view.world))
            board = self._seen[1]
        silent = self.source.silent_s()
        if silent:
            words = f"the service has not moved for {silent:.0f} s: what you see is old; stop works"
            board = _with_note(board, Note("look", words))
        return board

    async def _look(self) -> Board:
        return await asyncio.to_thread(self._board)

    async def board(self, request: Request) -> Response:
        """The whole board."""
        board = await self._look()
        return HTMLResponse(board_page(board, self._take(request), self.halt.state))

    async def pack(self, request: Request) -> Response:
        """One pack's page."""
        name = request.path_params["name"]
        board = await self._look()
        row = _row(board, name)
        if row is None:
            return _no_pack()
        page = pack_page(
            board, row, self.site.site.packs[name], self.site.site, self._take(request),
            self.halt.state, enter="enter" in request.query_params,
        )  # fmt: skip
        return HTMLResponse(page)

    async def plan(self, request: Request) -> Response:
        """The kept plan."""
        board = await self._look()
        return HTMLResponse(plan_page(board, self._take(request), self.halt.state))

    async def live(self, request: Request) -> Response:
        """Changed parts, as they change."""
        name = request.query_params.get("pack")
        if name is not None and name not in self.site.site.packs:
            return _no_pack()
        if self.watchers.full:
            return _trouble(503, "Too many are looking", "close a page elsewhere")

        async def parts() -> Mapping[str, str]:
            board = await self._look()
            row = None if name is None else _row(board, name)
            if "plan" in request.query_params:
                return plan_parts(board, self.halt.state)
            if row is not None:
                return pack_parts(board, row, self.halt.state)
            return board_parts(board, self.halt.state)

        stream = self.watchers.stream(self.version, parts)
        return StreamingResponse(stream, media_type="text/event-stream")

    async def past(self, request: Request) -> Response:
        """A stretch of one pack's past, drawn."""
        name, asked = request.path_params["name"], request.query_params
        board = await self._look()
        if _row(board, name) is None:
            return _no_pack()
        wanted = asked.get("hours", "")
        hours = int(wanted) if wanted in map(str, HOURS) else 24
        until = _moment(asked.get("until", ""))
        words = ["timeline", name, "--hours", str(hours)]
        line = await self.asked.ask(TimelineShape, *words, *(("--until", until) if until else ()))
        drawn = line if isinstance(line, str) else past_of(line, hours, board.now)
        status = 422 if isinstance(line, str) else 200
        return HTMLResponse(past_page(board, drawn, name, hours), status)

    async def why(self, request: Request) -> Response:
        """Why each rule held or not, now or at a moment of the past."""
        name = request.path_params["name"]
        board = await self._look()
        if _row(board, name) is None:
            return _no_pack()
        at = _moment(request.query_params.get("at", ""))
        why = await self.asked.ask(WhyShape, "why", name, *(("--at", at) if at else ()))
        shown = why if isinstance(why, str) else why_page_of(why)
        status = 422 if isinstance(why, str) else 200
        return HTMLResponse(why_page(board, shown, name), status)

    # ---- rules ---------------------------------------------------------------------------------

    async def rules(self, request: Request) -> Response:
        """Every rule file, to read."""
        board, files = await self._look(), await asyncio.to_thread(self.work.all)
        page = rules_page(board, files, self._take(request), may_edit=self.work.may_edit)
        return HTMLResponse(page)

    async def edit(self, request: Request) -> Response:
        """One rule file to edit; posted: checked, compared with the last days, or taken."""
        file = await asyncio.to_thread(self.work.one, request.path_params["number"])
        if file is None or not self.work.may_edit:
            why = "the site file does not allow it: `edit_rules` in `[board]`"
            return _trouble(404, "No such rules to edit", why)
        board, said, compared = await self._look(), None, None
        edited = Edited("", file.text, file.mark)
        if request.method == "POST":
            read = await edited_of(request)
            if isinstance(read, Problem):
                return _trouble(400, "Not taken in", read.show())
            edited = read
        findings = await asyncio.to_thread(self.work.check, file, edited.text)
        if edited.do == "look":
            return HTMLResponse(findings_part(findings))
        if edited.do == "compare" and not any(one.error for one in findings):
            compared = await self.work.compare(file, edited.text)
        if edited.do == "take":
            problem = await asyncio.to_thread(self.work.take, file, edited.text, edited.mark)
            if problem is None:
                words = await asyncio.to_thread(self.reread)
                return self._said_on("/rules", Said(f"{file.name} is written; {words}"))
            said = Said(problem.show(), refused=True)
        shown = replace(file, mark=edited.mark)
        return HTMLResponse(edit_page(board, shown, edited.text, findings, compared, said))

    # ---- pressing ------------------------------------------------------------------------------

    async def enter(self, request: Request) -> Response:
        """A button or field: an entry, handed in like any other."""
        form = await form_of(request)
        if isinstance(form, Problem):
            return _trouble(400, "Not taken in", form.show())
        entry = entry_of(form, self.site.site, LineClock().wall(self.site.site.local.zone))
        if isinstance(entry, Problem):
            return self._back(form, Said(entry.show(), refused=True))
        try:
            handed = await asyncio.to_thread(hand_in, self.site, entry, self.wake)
        except JournalError as error:
            return self._back(form, Said(str(error), refused=True))
        if first(form, "do") == "release" and first(form, "what") == "site":
            self.halt.clear()
        return self._back(form, Said(handed.words(), refused=handed.refused))

    async def stop(self, _request: Request) -> Response:
        """Everything off. Nothing of the form is read: the press is all that it says."""
        state = await asyncio.to_thread(self.halt.press)
        words = "; ".join(state.words)
        return self._back({}, Said(words, refused=state.failed))

    async def come_in(self, request: Request) -> Response:
        """The token, shown once; then a cookie that scripts cannot read and others do not send."""
        if request.method != "POST":
            return HTMLResponse(door_page(None))
        form = await form_of(request)
        shown = "" if isinstance(form, Problem) else first(form, "token")
        if self.access.token is None or not same(shown, self.access.token):
            async with self._wrong:
                await asyncio.sleep(WRONG_TOKEN_S)
            return HTMLResponse(door_page(Said("this is not the token", refused=True)), 403)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(
            COOKIE, self.access.proof, max_age=90 * 86_400, httponly=True, samesite="strict",
            secure=request.headers.get("origin", "").startswith("https:"),
        )  # fmt: skip
        return answer

    def _back(self, form: Form, said: Said) -> Response:
        """To the page that the form was on, which says what came of it."""
        name = first(form, "back")
        return self._said_on(f"/pack/{quote(name)}" if name in self.site.site.packs else "/", said)

    def _said_on(self, page: str, said: Said) -> Response:
        number = secrets.token_urlsafe(9)
        self._said[number] = said
        while len(self._said) > SAID_MAX:
            self._said.popitem(last=False)
        return RedirectResponse(f"{page}?said={number}", 303)

    def _take(self, request: Request) -> Said | None:
        return self._said.pop(request.query_params.get("said", ""), None)


def app_of(pages: Pages) -> ASGIApp:
    """The application behind its gate."""
    files = StaticFiles(packages=[("carerules.board", "static")])
    app = Starlette(routes=[
        Route("/", pages.board, methods=["GET"]),
        Route("/pack/{name}", pages.pack, methods=["GET"]),
        Route("/pack/{name}/past", pages.past, methods=["GET"]),
        Route("/pack/{name}/why", pages.why, methods=["GET"]),
        Route("/plan", pages.plan, methods=["GET"]),
        Route("/rules", pages.rules, methods=["GET"]),
        Route("/rules/{number}", pages.edit, methods=["GET", "POST"]),
        Route("/live", pages.live, methods=["GET"]),
        Route("/enter", pages.enter, methods=["POST"]),
        Route("/stop", pages.stop, methods=["POST"]),
        Route("/come-in", pages.come_in, methods=["GET", "POST"]),
        *vital_routes(pages.source, pages.source.look),
        api_routes(pages),
        Mount("/static", files),
    ])  # fmt: skip
    return Gate(app, pages.access, lambda: door_page(None))


def _moment(text: str) -> str:
    """A time as the page itself writes it; anything else is as if nothing was said."""
    try:
        return datetime.fromisoformat(text).replace(tzinfo=None).isoformat(timespec="seconds")
    except ValueError:
        return ""


def _plan_of(world: World) -> PlanView | None:
    """What is said of the kept plan. Few sites keep one: what plans are made of comes with it."""
    if world.kept is None:
        return None
    from carerules.board.planview import plan_view  # noqa: PLC0415
    from carerules.planner import kept_shape  # noqa: PLC0415

    return plan_view(kept_shape(world))


def _row(board: Board, name: str) -> Row | None:
    return next((row for row in board.rows if row.name == name), None)


def _with_note(board: Board, note: Note) -> Board:
    return replace(board, notes=(note, *board.notes))


def _trouble(status: int, title: str, why: str) -> Response:
    return HTMLResponse(trouble_page(title, why), status)


def _no_pack() -> Response:
    return _trouble(404, "No such pack", "the site file has no pack of this name")

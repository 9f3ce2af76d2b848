"""The board over a site with a journal made by hand, and a browser's ways of asking it."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import TypeVar

from click.testing import CliRunner
from pydantic import BaseModel
from reading_kit import Story
from starlette.testclient import TestClient

from carerules.adapters import Entry, SqliteJournal
from carerules.board import Access, JournalSource, Pages, app_of
from carerules.cli import main
from carerules.config import BoardDoor
from carerules.report import StatusShape, status_of
from carerules.report.status import Keeper

S = TypeVar("S", bound=BaseModel)
ORIGIN = "http://127.0.0.1:8455"
DOOR = BoardDoor("127.0.0.1", 8455)
TOKEN = "not-a-real-token-0123456789"
FROM_HERE = {"origin": ORIGIN, "sec-fetch-site": "same-origin"}


def status(story: Story) -> StatusShape:
    return status_of(story.world, Keeper(running=True, pid=7, last_wrote=story.world.now))


def pages(story: Story, *, token: str | None = None, door: BoardDoor = DOOR) -> Pages:
    return Pages(story.site, JournalSource(story.site), Access(door, token))


def browser(made: Pages) -> TestClient:
    return TestClient(app_of(made), base_url=ORIGIN, follow_redirects=False)


def waiting(folder: Path) -> list[Entry]:
    with closing(SqliteJournal.open(folder / "state" / "journal.db", owner=False)) as journal:
        return [one.entry for one in journal.waiting_entries()]


class AskedHere:
    """The reading commands in this process: what the board asks of one of its own, without the
    half second that each takes to start."""

    def __init__(self, site: Path) -> None:
        self._site = site

    async def ask(self, shape: type[S], *words: str) -> S | str:
        told = CliRunner().invoke(
            main, [*words, "--site", str(self._site), "--json"], catch_exceptions=False
        )
        if told.exit_code != 0:
            return told.stderr.strip().partition("\n")[0]
        return shape.model_validate_json(told.stdout)

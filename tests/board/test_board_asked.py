"""What the board asks of a reading command, it asks as the command's own help has it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click
import pytest
from board_kit import FROM_HERE, ORIGIN
from reading_kit import RULES, full_heron
from starlette.testclient import TestClient

from carerules.board import Access, JournalSource, Pages, app_of
from carerules.board.api import BASE
from carerules.board.asked import Asker
from carerules.cli import main
from carerules.config import BoardDoor

PAGES = (
    "/pack/heron/past?hours=72&until=2026-12-01T18:00:00",
    "/pack/heron/why?at=2026-12-01T18:00:00",
    f"{BASE}/why/heron?at=2026-12-01T18:01:00Z",
    f"{BASE}/forecast/heron?action=drain&to=40&from=90&by=60%20W",
    f"{BASE}/health?pack=heron",
)


def test_every_option_that_the_board_says_is_one_that_help_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Options were renamed, and the old names still understood: for people, who have habits."""
    asked: list[tuple[str, ...]] = []

    async def taken_down(_asker: Asker, words: tuple[str, ...], _within_s: float) -> str:
        asked.append(words)
        return "not now"

    monkeypatch.setattr(Asker, "_run", taken_down)
    story, door = full_heron(tmp_path), BoardDoor("127.0.0.1", 8455, edit_rules=True)
    made = Pages(replace(story.site, board=door), JournalSource(story.site), Access(door))
    client = TestClient(app_of(made), base_url=ORIGIN)
    for page in PAGES:
        client.get(page)
    client.post("/rules/1", data={"do": "compare", "text": RULES}, headers=FROM_HERE)

    assert {words[0] for words in asked} == {"timeline", "why", "forecast", "health", "compare"}
    for command, *words in asked:
        context = click.Context(main)
        found = main.get_command(context, command)
        assert found is not None
        shown = found.get_help(context)
        said = [word.partition("=")[0] for word in words if word.startswith("--")]
        assert [option for option in said if f"{option} " not in shown] == []
    assert sum(word.startswith("--") for words in asked for word in words) == 8

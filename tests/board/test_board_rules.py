"""Rules on the page: read, checked as they are edited, held against the past, and taken."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from board_kit import FROM_HERE, ORIGIN, TOKEN
from reading_kit import FIRES, RULES, Story, draining_heron, full_heron
from starlette.testclient import TestClient

from carerules.board import Access, JournalSource, Pages, app_of
from carerules.board.rulework import TEXT_BYTES_MAX, plain_text
from carerules.config import BoardDoor
from carerules.domain.event import Tick
from carerules.domain.moment import HOUR
from carerules.report import CompareShape


def editor(story: Story, *, allowed: bool = True) -> tuple[TestClient, Pages]:
    door = BoardDoor("127.0.0.1", 8455, edit_rules=allowed)
    made = Pages(replace(story.site, board=door), JournalSource(story.site), Access(door, TOKEN))
    client = TestClient(app_of(made), base_url=ORIGIN, follow_redirects=False)
    client.headers["authorization"] = f"Bearer {TOKEN}"
    return client, made


def mark(client: TestClient) -> str:
    found = re.search(r'name="mark" value="(\w+)"', client.get("/rules/1").text)
    assert found is not None
    return found[1]


def post(client: TestClient, do: str, text: str, its: str = "") -> tuple[int, str]:
    answer = client.post("/rules/1", data={"do": do, "text": text, "mark": its}, headers=FROM_HERE)
    return answer.status_code, answer.text


def test_rules_can_be_read_and_not_edited_unless_the_site_file_allows_it(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    client, _ = editor(story, allowed=False)
    shown = client.get("/rules")
    assert "full-too-long" in shown.text
    assert 'href="/rules/1"' not in shown.text
    assert client.get("/rules/1").status_code == 404
    assert post(client, "take", "# nothing\n")[0] == 404
    assert (tmp_path / "shed.care").read_text() == RULES


def test_an_edit_is_checked_by_the_checker_on_its_line(tmp_path: Path) -> None:
    client, _ = editor(full_heron(tmp_path))
    wrong = RULES.replace("pack.soc >= 95", "pack.sock >= 95")
    for do in ("look", "check"):
        _, shown = post(client, do, wrong)
        assert "error, line 3: unknown signal `pack.sock`" in shown
        assert "did you mean `pack.soc`" in shown
    assert "<html" not in post(client, "look", wrong)[1]
    assert "nothing is wrong with it" in post(client, "look", RULES)[1]
    assert (tmp_path / "shed.care").read_text() == RULES


def test_what_stands_in_the_text_area_is_text(tmp_path: Path) -> None:
    client, _ = editor(full_heron(tmp_path))
    evil = "</textarea><script>alert(1)</script>"
    for do in ("look", "check"):
        assert "<script>alert" not in post(client, do, evil)[1]


def test_an_edit_is_taken_whole_and_the_one_before_is_kept(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    client, pages = editor(story)
    pages.reread = lambda: "taken up: changed full-too-long"
    edited = RULES.replace("for 24 h and", "for 12 h and")
    its = mark(client)
    status, _ = post(client, "take", edited.replace("\n", "\r\n"), its)
    assert status == 303
    assert (tmp_path / "shed.care").read_text() == edited
    assert (tmp_path / "shed.care.before").read_text() == RULES
    assert not list(tmp_path.glob(".*new"))
    status, again = post(client, "take", RULES, its)  # a second tab, on what is no more
    assert status == 200
    assert "changed since by somebody else" in again
    assert (tmp_path / "shed.care").read_text() == edited


def test_an_edit_with_an_error_is_never_taken(tmp_path: Path) -> None:
    client, _ = editor(full_heron(tmp_path))
    status, shown = post(client, "take", "rule broken when\n", mark(client))
    assert status == 200
    assert "Not done" in shown
    assert "rules without an error" in shown
    assert (tmp_path / "shed.care").read_text() == RULES


@pytest.mark.parametrize("number", ["0", "2", "99", "-1", "x", "../shed.care"])
def test_no_other_file_is_reached(tmp_path: Path, number: str) -> None:
    client, _ = editor(full_heron(tmp_path))
    assert client.get(f"/rules/{number}").status_code in (404, 405)


def test_the_text_is_bounded(tmp_path: Path) -> None:
    client, _ = editor(full_heron(tmp_path))
    assert post(client, "check", "#" * (TEXT_BYTES_MAX + 1))[0] == 400
    assert post(client, "check", "#\0")[0] == 400
    assert plain_text("a\r\nb\rc\n") == "a\nb\nc\n"


def test_without_the_token_or_from_elsewhere_nothing_is_taken(tmp_path: Path) -> None:
    client, _ = editor(full_heron(tmp_path))
    its = mark(client)
    data = {"do": "take", "text": "# nothing\n", "mark": its}
    assert client.post("/rules/1", data=data).status_code == 403
    client.headers["authorization"] = ""
    assert client.post("/rules/1", data=data, headers=FROM_HERE).status_code == 401
    assert (tmp_path / "shed.care").read_text() == RULES


# ---- against the past ----------------------------------------------------------------------------


def compared(story: Story, edited: str, *words: str) -> CompareShape:
    file = story.path.parent / "edited.care"
    file.write_text(edited, "utf-8")
    shown = story.run("compare", str(file), "--instead-of", "shed.care", "--json", *words)
    assert shown.exit_code == 0, shown.output
    return CompareShape.model_validate_json(shown.output)


def test_what_would_have_been_otherwise(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    same = compared(story, RULES)
    assert (same.same, same.no_more, same.anew) == (1, [], [])
    assert same.change == "no rule means anything else"
    sooner = compared(story, RULES.replace("for 24 h and", "for 12 h and"))
    (gone,), (new,) = sooner.no_more, sooner.anew
    assert (gone.rule, gone.pack, gone.line) == ("full-too-long", "heron", "drain to 80 %")
    assert gone.at == story.world.local.read(FIRES - FIRES % 1_000)
    assert new.at == story.world.local.read(FIRES - 12 * HOUR)
    never = compared(story, RULES.replace("for 24 h and", "for 48 h and"))
    assert len(never.no_more) == 1
    assert never.anew == []


def test_only_the_days_that_are_asked_for(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    story.go(Tick(FIRES + 30 * HOUR))
    story.snapshot()
    shape = compared(story, RULES.replace("for 24 h and", "for 48 h and"), "--days", "1")
    assert shape.no_more == []


def test_the_page_says_it(tmp_path: Path) -> None:
    client, _ = editor(draining_heron(tmp_path))
    _, shown = post(client, "compare", RULES.replace("for 24 h and", "for 48 h and"), mark(client))
    assert "would not have begun to hold" in shown
    assert "Tue 01 Dec 18:01, heron: full-too-long (drain to 80\N{NO-BREAK SPACE}%)" in shown


def test_a_file_that_is_not_the_sites_is_refused(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    (tmp_path / "other.care").write_text(RULES)
    refused = story.run("compare", str(tmp_path / "other.care"))
    assert refused.exit_code == 2
    assert "a rule file of the site" in refused.output
    (tmp_path / "shed-edited.care").write_text("rule broken when\n")
    wrong = story.run("compare", str(tmp_path / "shed-edited.care"), "--instead-of", "shed.care")
    assert wrong.exit_code == 2

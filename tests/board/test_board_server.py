"""The board asked as a browser asks: pages, entries, the stop, and what is refused."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from board_kit import DOOR, FROM_HERE, TOKEN, browser, pages, waiting
from reading_kit import FIRES, SECOND, Story, draining_heron, full_heron, seen_heron
from starlette.testclient import TestClient

from carerules.adapters import (
    Answer,
    Attend,
    Cancel,
    ChoreAnswer,
    Measured,
    Place,
    Recorded,
    Release,
    Stop,
    Want,
)
from carerules.board import controls
from carerules.board.controls import FORM_BYTES_MAX
from carerules.config import BoardDoor
from carerules.domain.event import Rejected
from carerules.service import stopping
from carerules.service.off import OffReport
from carerules.service.stopping import StopReport


def press(client: TestClient, **fields: Any) -> Any:
    return client.post("/enter", data=fields, headers=FROM_HERE)


def said(client: TestClient, answer: Any) -> str:
    """What the page says after a press: it is shown once."""
    assert answer.status_code == 303, answer.text
    where = answer.headers["location"]
    shown = client.get(where).text
    first = re.search(r'id="said">\s*<p>(.*?)</p>', shown, re.DOTALL)
    again = re.search(r'id="said">\s*<p>', client.get(where).text)
    assert first is not None
    assert again is None
    return first[1]


def test_no_id_has_a_space_in_it_and_none_is_there_twice(tmp_path: Path) -> None:
    """HTML, 3.2.6: an id is one of a kind in its page, and has no white space."""
    story = draining_heron(tmp_path, rules='rule look on pack egret\n'
                           '    when pack.soc < 90: chore "look at egret"\n')  # fmt: skip
    client = browser(pages(story))
    assert 'value="later"' in client.get("/").text
    for path in ("/", "/pack/heron", "/rules"):
        ids = re.findall(r'\bid="([^"]*)"', client.get(path).text)
        assert ids
        assert not [one for one in ids if re.search(r"\s", one) or not one]
        assert len(ids) == len(set(ids))


# ---- looking -----------------------------------------------------------------------------------


def test_the_board_shows_each_pack_and_weighs_little(tmp_path: Path) -> None:
    page = browser(pages(draining_heron(tmp_path))).get("/")
    assert page.status_code == 200
    assert 'id="pack-heron"' in page.text
    assert 'id="pack-egret"' in page.text
    assert len(page.content) < 60_000


def test_page_style_and_script_of_eight_packs_are_under_60_kb(tmp_path: Path) -> None:
    client = browser(pages(draining_heron(tmp_path)))
    page = client.get("/").content
    row = re.search(rb'<article class="pack".*?</article>', page, re.DOTALL)
    assert row is not None
    files = [
        client.get(f"/static/{name}").content for name in ("board.css", "board.js", "mark.svg")
    ]
    assert len(page) + 6 * len(row[0]) + sum(map(len, files)) < 60_000


def test_a_packs_own_page_has_a_field_for_each_cell(tmp_path: Path) -> None:
    client = browser(pages(full_heron(tmp_path)))
    heron, egret = client.get("/pack/heron").text, client.get("/pack/egret").text
    assert len(re.findall(r'id="cell-\d+"', heron)) == 6
    assert len(re.findall(r'id="cell-\d+"', egret)) == 4
    assert 'inputmode="decimal"' in heron
    assert client.get("/pack/nobody").status_code == 404


def test_nothing_is_asked_of_another_machine(tmp_path: Path) -> None:
    client = browser(pages(draining_heron(tmp_path)))
    for path in ("/", "/pack/heron", "/static/board.css", "/static/board.js", "/static/mark.svg"):
        text = client.get(path).text.replace("http://www.w3.org/2000/svg", "")
        assert not re.search(r"https?://|url\(|@import|src=\"//", text), path


def test_every_answer_says_what_may_run(tmp_path: Path) -> None:
    client = browser(pages(full_heron(tmp_path)))
    for path in ("/", "/pack/heron", "/pack/nobody", "/static/board.js", "/no/such"):
        headers = client.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "script-src 'self'" in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
    text = client.get("/").text + client.get("/pack/heron").text
    assert not re.search(r"<script(?![^>]*\bsrc=)|\son[a-z]+=|\sstyle=|javascript:", text)


def test_what_strangers_and_authors_wrote_is_text(tmp_path: Path) -> None:
    evil = '<script>alert(1)</script>"><img src=x onerror=alert(2)>'
    rules = f"""rule full-too-long on lipo packs
    because "{evil.replace('"', "'")}"
    when pack.soc >= 95 for 24 h: drain to 80 %
"""
    story = draining_heron(tmp_path, rules=rules)
    at = FIRES + 2 * SECOND
    story.go(Rejected(at, evil, evil), replace(seen_heron(at), source=evil))
    client = browser(pages(story))
    for path in ("/", "/pack/heron"):
        text = client.get(path).text
        assert "alert(1)" in text
        assert "<script>alert" not in text
        assert "<img" not in text


def test_no_template_marks_anything_as_markup() -> None:
    folder = Path(__file__).parents[2] / "carerules" / "board" / "templates"
    files = list(folder.glob("*.html"))
    assert len(files) > 5
    for file in files:
        assert not re.search(r"\|\s*safe|autoescape|Markup", file.read_text("utf-8")), file.name


# ---- entering: the same entries as the command line's ------------------------------------------

ENTRIES = [
    ({"do": "record", "pack": "heron", "what": "charged"}, Recorded, ("charge", "full")),
    ({"do": "record", "pack": "heron", "what": "swelling"}, Recorded, ("swelling",)),
    ({"do": "record", "pack": "heron", "what": "voltage", "value": "23.4"}, Measured, 23.4),
    ({"do": "record", "pack": "heron", "what": "voltage", "value": "23,4"}, Measured, 23.4),
    ({"do": "record", "pack": "heron", "what": "soc", "value": "80"}, Measured, 80.0),
    ({"do": "record", "pack": "heron", "what": "bars", "lit": "3", "of": "4"}, Measured, 62.5),
    ({"do": "record", "pack": "heron", "what": "temperature", "value": "21", "unit": "°C"},
     Measured, 21.0),
    ({"do": "record", "pack": "heron", "what": "temperature", "value": "68", "unit": "°F"},
     Measured, 20.0),
    ({"do": "record", "pack": "heron", "what": "capacity", "value": "15.2"}, Measured, 15.2),
]  # fmt: skip


@pytest.mark.parametrize(("fields", "kind", "value"), ENTRIES, ids=str)
def test_a_record_from_the_page_is_the_entry_of_the_command_line(
    tmp_path: Path, fields: dict[str, str], kind: type, value: Any
) -> None:
    story = full_heron(tmp_path)
    story.close()
    client = browser(pages(story))
    assert said(client, press(client, **fields)).startswith("no service is running")
    (entry,) = waiting(tmp_path)
    assert isinstance(entry, kind)
    if isinstance(entry, Measured):
        assert entry.values[0].value == pytest.approx(value)
    elif isinstance(entry, Recorded):
        assert entry.what == value


def test_cells_are_entered_one_by_one(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.close()
    client = browser(pages(story))
    cells = ["3.91", "3.92", "3,90", "3.91", "3.89", "3.91"]
    answer = press(client, do="record", pack="heron", what="cells", value=cells, back="heron")
    assert answer.headers["location"].startswith("/pack/heron?said=")
    (entry,) = waiting(tmp_path)
    assert isinstance(entry, Measured)
    assert entry.cells == (3.91, 3.92, 3.90, 3.91, 3.89, 3.91)


OTHERS = [
    ({"do": "place", "pack": "egret", "station": ""}, Place("egret", None)),
    ({"do": "place", "pack": "egret", "station": "A"}, Place("egret", "A")),
    ({"do": "release", "what": "site", "looked": "yes"}, Release("site")),
    ({"do": "release", "what": "heron", "looked": "yes"}, Release("heron")),
    ({"do": "cancel", "job": "heron-1"}, Cancel("heron-1")),
    ({"do": "answer", "job": "heron-1", "answer": "yes"}, Answer("heron-1", True)),
    ({"do": "answer", "job": "heron-1", "answer": "no"}, Answer("heron-1", False)),
    ({"do": "chore", "key": "heron k 0", "text": "look", "answer": "done"},
     ChoreAnswer("heron k 0", "look")),
    ({"do": "chore", "key": "heron k 0", "text": "look", "answer": "later"},
     ChoreAnswer("heron k 0", "look", 720)),
]  # fmt: skip


@pytest.mark.parametrize(("fields", "entry"), OTHERS, ids=str)
def test_the_other_buttons(tmp_path: Path, fields: dict[str, str], entry: Any) -> None:
    story = full_heron(tmp_path)
    story.close()
    client = browser(pages(story))
    press(client, **fields)
    assert waiting(tmp_path) == [entry]


@pytest.mark.parametrize("goal", ["storage", "ready"])
def test_a_pack_is_wanted(tmp_path: Path, goal: str) -> None:
    story = full_heron(tmp_path)
    story.close()
    press(browser(pages(story)), do="want", pack="heron", goal=goal)
    (entry,) = waiting(tmp_path)
    assert isinstance(entry, Want)
    assert (entry.pack, entry.goal, entry.target) == ("heron", goal, None)


def test_each_button_has_its_row_and_each_row_its_button() -> None:
    templates = Path(controls.__file__).parent / "templates"
    forms = [
        form
        for page in templates.glob("*.html")
        for form in re.findall(r"<form[^>]*>.*?</form>", page.read_text("utf-8"), re.DOTALL)
        if 'action="/enter"' in form
    ]
    buttons = [re.findall(r'name="do" value="([a-z-]+)"', form) for form in forms]
    assert all(len(one) == 1 for one in buttons), "a form does one thing"
    assert {one for (one,) in buttons} == set(controls._KINDS)


def test_somebody_stays(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.close()
    press(browser(pages(story)), do="attend", minutes="60")
    (entry,) = waiting(tmp_path)
    assert isinstance(entry, Attend)
    assert entry.minutes == 60


REFUSED = [
    ({"do": "record", "pack": "heron", "what": "voltage", "value": "99"}, "for the 6 cells"),
    ({"do": "record", "pack": "heron", "what": "voltage", "value": "twelve"}, "twelve"),
    ({"do": "record", "pack": "heron", "what": "voltage", "value": ""}, "nothing"),
    ({"do": "record", "pack": "heron", "what": "bars", "lit": "9", "of": "4"}, "how many are lit"),
    ({"do": "record", "pack": "crow", "what": "charged"}, "a pack of the site file"),
    ({"do": "record", "pack": "heron", "what": "melted"}, "melted"),
    ({"do": "release", "what": "site"}, "the box ticked"),
    ({"do": "release", "what": "nobody", "looked": "yes"}, "nobody"),
    ({"do": "cancel", "job": "'; DROP"}, "a job under way"),
    ({"do": "want", "pack": "crow", "goal": "ready"}, "a pack of the site file"),
    ({"do": "want", "pack": "heron", "goal": "full"}, "`storage` or `ready`"),
    ({"do": "answer", "job": "heron-1", "answer": "maybe"}, "`yes` or `no`"),
    ({"do": "attend", "minutes": "9999"}, "minutes"),
    ({"do": "chore", "key": "", "answer": "done"}, "a chore of this page"),
    ({"do": "chore", "key": "heron k 0", "answer": "never"}, "`done` or `later`"),
    ({"do": "drain", "pack": "heron"}, "a button of this page"),
    ({}, "a button of this page"),
]


@pytest.mark.parametrize(("fields", "words"), REFUSED, ids=str)
def test_what_does_not_fit_is_refused_in_words_and_nothing_is_kept(
    tmp_path: Path, fields: dict[str, str], words: str
) -> None:
    story = full_heron(tmp_path)
    story.close()
    client = browser(pages(story))
    told = said(client, client.post("/enter", data=fields, headers=FROM_HERE | {
        "content-type": "application/x-www-form-urlencoded"}))  # fmt: skip
    assert told.startswith("Not done: ")
    assert words in told
    assert waiting(tmp_path) == []


# ---- the stop ----------------------------------------------------------------------------------


def test_the_stop_is_a_plain_form_and_leaves_a_stop_for_the_service(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    story.close()
    client = browser(pages(story))
    text = client.get("/").text
    assert re.search(r'<form method="post" action="/stop"[^>]*>\s*<button', text)
    told = said(client, client.post("/stop", headers=FROM_HERE))
    assert "pull the plugs by hand" in told  # nobody is there to do it
    assert waiting(tmp_path) == [Stop("the board")]


def test_the_stop_takes_the_plugs_own_wires_though_the_service_hangs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The journal's owner is there (this process) and never answers; the wires are used all the
    same, and what they read back is on the page."""
    story = draining_heron(tmp_path)
    asked: list[str] = []

    def over_wires(_site: Any, by: str) -> Callable[[], OffReport]:
        def bring_off() -> OffReport:
            asked.append(by)
            return OffReport(("A-load", "B-charger"), ())

        return bring_off

    monkeypatch.setattr("carerules.service.stopping.ANSWER_WITHIN_S", 0.0)
    monkeypatch.setattr("carerules.service.stopping.ANSWER_LATE_S", 0.0)
    monkeypatch.setattr(stopping, "_own_wires", over_wires)
    client = browser(pages(story))
    told = said(client, client.post("/stop", headers=FROM_HERE))
    assert asked == ["the board"]
    assert told == "A-load: read back off; B-charger: read back off"


def test_a_journal_that_hangs_does_not_hold_the_wires_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """OFF needs no disk: the journal opens here only once the wires have been used."""
    story = draining_heron(tmp_path)
    story.close()
    used = threading.Event()
    opens = stopping.open_journal

    def over_wires(_site: Any, _by: str) -> Callable[[], OffReport]:
        def bring_off() -> OffReport:
            used.set()
            return OffReport(("A-load",), ())

        return bring_off

    def hung(path: Any, *, owner: bool) -> Any:
        assert used.wait(60), "the wires waited for the journal"
        return opens(path, owner=owner)

    monkeypatch.setattr(stopping, "_own_wires", over_wires)
    monkeypatch.setattr(stopping, "open_journal", hung)
    report = stopping.stop_all(story.site, "a person")
    assert report.off is not None
    assert report.off.proven == ("A-load",)
    assert report.problem is None


def test_a_stop_that_cannot_be_proved_says_go_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    story = draining_heron(tmp_path)
    unproven = (story.world.plugs["A-load"],)
    monkeypatch.setattr(
        "carerules.board.server.stopper",
        lambda site, by: lambda: StopReport(None, None, OffReport((), unproven)),
    )
    made = pages(story)
    client = browser(made)
    told = said(client, client.post("/stop", headers=FROM_HERE))
    assert told == "Not done: A-load: NOT read back off: go there and pull it"
    assert "NOT read back off" in client.get("/").text  # it stays there


def test_a_second_press_joins_the_stop_that_is_under_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    story = draining_heron(tmp_path)
    stops: list[int] = []
    ends = threading.Event()

    def slow() -> StopReport:
        stops.append(1)
        assert ends.wait(60)
        return StopReport("taken in", None, None)

    monkeypatch.setattr("carerules.board.server.stopper", lambda _site, _by: slow)
    monkeypatch.setattr("carerules.board.halt.AFTER_S", 0.0)
    client = browser(pages(story))
    for _ in range(3):
        assert said(client, client.post("/stop", headers=FROM_HERE)) == "bringing everything off"
    ends.set()
    assert stops == [1]


def test_the_form_of_a_packs_place_begins_with_where_it_is(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    text = browser(pages(story)).get("/pack/heron").text
    assert re.findall(r'<option value="([^"]*)" selected>', text) == ["A"]


# ---- who is let in ------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["/enter", "/stop", "/come-in"])
def test_no_page_of_a_stranger_presses_a_button(tmp_path: Path, path: str) -> None:
    story = full_heron(tmp_path)
    story.close()
    client = browser(pages(story))
    for headers in ({}, {"origin": "http://evil.example"}, {"origin": "null"},
                    {**FROM_HERE, "sec-fetch-site": "cross-site"}):  # fmt: skip
        data = {"do": "record", "pack": "heron", "what": "charged"}
        assert client.post(path, data=data, headers=headers).status_code == 403
    assert waiting(tmp_path) == []


def test_a_name_that_was_made_to_point_here_is_refused(tmp_path: Path) -> None:
    client = browser(pages(full_heron(tmp_path)))
    for path in ("/", "/live", "/static/board.js"):
        assert client.get(path, headers={"host": "evil.example:8455"}).status_code == 421


def test_without_the_token_nothing_is_shown_and_nothing_pressed(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.close()
    client = browser(pages(story, token=TOKEN))
    for path in ("/", "/pack/heron", "/live", "/static/board.js"):
        answer = client.get(path)
        assert answer.status_code == 401
        assert "heron" not in answer.text
    assert client.post("/stop", headers=FROM_HERE).status_code == 401
    assert client.post("/enter", data={"do": "attend"}, headers=FROM_HERE).status_code == 401
    assert waiting(tmp_path) == []


def test_the_token_opens_the_board_and_is_not_kept_by_the_browser(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("carerules.board.server.WRONG_TOKEN_S", 0.0)
    client = browser(pages(full_heron(tmp_path), token=TOKEN))
    wrong = client.post("/come-in", data={"token": "wrong"}, headers=FROM_HERE)
    assert wrong.status_code == 403
    assert "set-cookie" not in wrong.headers
    right = client.post("/come-in", data={"token": TOKEN}, headers=FROM_HERE)
    assert right.status_code == 303
    cookie = right.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert TOKEN not in cookie
    assert "heron" in client.get("/").text


def test_a_form_is_read_no_further_than_it_may_be_long(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.close()
    client = browser(pages(story))
    long = client.post("/enter", data={"do": "x" * FORM_BYTES_MAX}, headers=FROM_HERE)
    assert long.status_code == 400
    many = client.post("/enter", content=b"&".join([b"a=1"] * 500), headers={
        **FROM_HERE, "content-type": "application/x-www-form-urlencoded"})  # fmt: skip
    assert many.status_code == 400
    other = client.post("/enter", json={"do": "attend"}, headers=FROM_HERE)
    assert other.status_code == 400
    assert client.get("/" + "a" * 400).status_code == 414
    assert waiting(tmp_path) == []


def test_the_watchers_are_counted_and_bounded(tmp_path: Path) -> None:
    made = pages(full_heron(tmp_path))
    made.watchers.number = 16
    assert browser(made).get("/live").status_code == 503


def test_a_door_that_is_not_local_answers_its_own_names(tmp_path: Path) -> None:
    door = BoardDoor("192.168.7.9", 8455, ("shed.local:8455",))
    client = browser(pages(full_heron(tmp_path), token=TOKEN, door=door))
    assert client.get("/", headers={"host": "127.0.0.1:8455"}).status_code == 421
    shown = client.get("/", headers={
        "host": "shed.local:8455", "authorization": f"Bearer {TOKEN}"})  # fmt: skip
    assert shown.status_code == 200
    assert DOOR.is_local
    assert not door.is_local


def test_one_story_is_enough(tmp_path: Path) -> None:
    """The board makes nothing where nothing was ever journalled."""
    story: Story = full_heron(tmp_path)
    story.close()
    for file in (tmp_path / "state").iterdir():
        file.unlink()
    (tmp_path / "state").rmdir()
    assert browser(pages(story)).get("/").status_code == 200
    assert not (tmp_path / "state").exists()

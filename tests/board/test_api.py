"""The interface for programs: the shapes of `--json`, and entries by the same door and gate."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from board_kit import FROM_HERE, TOKEN, AskedHere, browser, pages, waiting
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
    UseAdd,
    UseDrop,
    Want,
)
from carerules.board.api import BASE
from carerules.board.api.describe import main as describe
from carerules.board.api.doors import DOORS
from carerules.board.api.openapi import document
from carerules.board.api.words import BODY_BYTES_MAX
from carerules.board.halt import Halt
from carerules.service.off import OffReport
from carerules.service.stopping import StopReport

HERE = {**FROM_HERE, "content-type": "application/json"}
ROOT = Path(__file__).parents[2]


def client(story: Story, *, token: str | None = None) -> TestClient:
    made = pages(story, token=token)
    made.asked = AskedHere(story.path)  # type: ignore[assignment]
    made.halt = Halt(lambda: StopReport("taken in", None, OffReport(("A-load",), ())))
    return browser(made)


def enter(asked: TestClient, **body: Any) -> Any:
    return asked.post(f"{BASE}/entries", content=json.dumps(body), headers=HERE)


# ---- looking -------------------------------------------------------------------------------------

SAME = [
    ("/status", ("status",)),
    ("/packs/egret", ("status", "egret")),
    ("/why/heron", ("why", "heron")),
    ("/why/heron?rule=warm", ("why", "heron", "warm")),
    ("/why/heron?at=2026-12-01T18:01:00Z", ("why", "heron", "--at", "2026-12-01T18:01:00")),
    ("/why/heron?at=2026-12-01T19:01:00%2B01:00", ("why", "heron", "--at", "2026-12-01T18:01:00")),
    ("/log", ("log", "--last", "100")),
    ("/log?pack=heron", ("log", "--last", "100", "--pack", "heron")),
    ("/chores", ("chore",)),
    ("/plan", ("plan", "--kept")),
    ("/uses", ("uses", "list")),
    ("/health", ("health",)),
    ("/health?pack=heron", ("health", "heron")),
    ("/forecast/heron?action=drain&to=80&by=60%20W",
     ("forecast", "heron", "drain", "80 %", "--by", "60 W")),
    ("/forecast/egret?action=charge&to=100&from=40&by=4%20A",
     ("forecast", "egret", "charge", "100", "--from", "40 %", "--by", "4 A")),
]  # fmt: skip


@pytest.mark.parametrize(("path", "words"), SAME, ids=[path for path, _ in SAME])
def test_it_says_what_the_command_line_says(
    tmp_path: Path, path: str, words: tuple[str, ...]
) -> None:
    story = draining_heron(tmp_path)
    told = client(story).get(BASE + path)
    assert told.status_code == 200, told.text
    assert told.headers["content-type"] == "application/json"
    printed = json.loads(story.run(*words, "--json").stdout)
    shown = told.json()
    if "weak_cells" in told.text:
        for one in (*printed["packs"], *shown["packs"]):
            one.get("health", {}).pop("resistance_rises_percent_year", None)
    assert shown == printed


def test_the_log_is_read_on_from_where_one_was_and_nothing_comes_twice_or_never(
    tmp_path: Path,
) -> None:
    story = draining_heron(tmp_path)
    asked = client(story)
    whole = asked.get(f"{BASE}/log?limit=500").json()
    pieces: list[Any] = []
    after, rounds = 0, 0
    while after < whole["next_after"]:
        piece = asked.get(f"{BASE}/log?after={after}&limit=2").json()
        pieces += piece["lines"]
        assert piece["next_after"] > after
        after, rounds = piece["next_after"], rounds + 1
    assert rounds > 3
    assert pieces == whole["lines"]
    assert asked.get(f"{BASE}/log?after={after}").json()["lines"] == []
    story.go(seen_heron(FIRES + 60 * SECOND, temperature=44.0))
    assert asked.get(f"{BASE}/log?after={after}").json()["next_after"] > after
    assert asked.get(f"{BASE}/log?after=9007199254740991").json()["lines"] == []


def test_looking_far_back_goes_through_so_many_events_and_no_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("carerules.service.diary.SCAN_ROWS_MAX", 4)
    story = full_heron(tmp_path)
    for number in range(20):
        story.go(seen_heron(story.world.now + 10 * SECOND + number))
    asked = client(story)
    first = asked.get(f"{BASE}/log?after=7&limit=100").json()
    assert first["next_after"] == 11


# ---- entering ------------------------------------------------------------------------------------

ENTRIES = [
    ({"do": "record", "pack": "heron", "what": "charged"}, Recorded, ("charge", "full")),
    ({"do": "record", "pack": "heron", "what": "swelling"}, Recorded, ("swelling",)),
    ({"do": "measure", "pack": "heron", "what": "voltage", "values": [23.4]}, Measured, 23.4),
    ({"do": "measure", "pack": "heron", "what": "soc", "values": [80]}, Measured, 80.0),
    ({"do": "measure", "pack": "heron", "what": "temperature", "values": [21]}, Measured, 21.0),
    ({"do": "measure", "pack": "heron", "what": "capacity", "values": [15.25]}, Measured, 15.25),
    ({"do": "measure", "pack": "heron", "what": "bars", "values": [3, 4]}, Measured, 62.5),
    ({"do": "measure", "pack": "egret", "what": "cells", "values": [3.7, 3.7, 3.7, 3.71]},
     Measured, (3.7, 3.7, 3.7, 3.71)),
    ({"do": "place", "pack": "heron", "station": "B"}, Place, "B"),
    ({"do": "place", "pack": "heron", "station": None}, Place, None),
    ({"do": "use-add", "use": "Sunday", "start": "2030-12-06T08:00:00Z", "packs": ["heron"]},
     UseAdd, "Sunday"),
    ({"do": "use-drop", "use": "Saturday survey"}, UseDrop, "Saturday survey"),
    ({"do": "answer", "job": "heron-1", "yes": True}, Answer, True),
    ({"do": "cancel", "job": "heron-1"}, Cancel, "heron-1"),
    ({"do": "chore", "key": "k", "text": "look", "later_minutes": 60}, ChoreAnswer, 60),
    ({"do": "attend", "minutes": 60}, Attend, 60),
    ({"do": "attend", "minutes": 60.0}, Attend, 60),
    ({"do": "release", "what": "site", "looked": True}, Release, "site"),
    ({"do": "want", "pack": "heron", "goal": "storage", "percent": 45}, Want, 45.0),
]  # fmt: skip


@pytest.mark.parametrize(("body", "kind", "value"), ENTRIES, ids=str)
def test_an_entry_is_the_one_of_the_command_line(
    tmp_path: Path, body: dict[str, Any], kind: type, value: Any
) -> None:
    story = full_heron(tmp_path)
    story.close()
    told = enter(client(story), **body)
    assert told.status_code == 202, told.text
    assert told.json()["taken_in"] is False
    (entry,) = waiting(tmp_path)
    assert isinstance(entry, kind)
    said: tuple[Any, ...] = {
        Recorded: lambda e: e.what, Place: lambda e: e.station, UseAdd: lambda e: e.name,
        UseDrop: lambda e: e.name, Answer: lambda e: e.yes, Cancel: lambda e: e.job,
        ChoreAnswer: lambda e: e.minutes, Attend: lambda e: e.minutes, Release: lambda e: e.what,
        Want: lambda e: e.target,
        Measured: lambda e: e.cells or e.values[0].value,
    }[kind](entry)  # fmt: skip
    assert said == value


def test_a_stop_goes_the_way_of_the_red_button_and_leaves_no_entry_of_ours(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    told = enter(client(story), do="stop")
    assert told.status_code == 200
    assert "A-load: read back off" in told.json()["text"]
    assert waiting(tmp_path) == []


def test_a_stop_that_failed_is_no_success(tmp_path: Path) -> None:
    made = pages(full_heron(tmp_path))
    made.halt = Halt(lambda: StopReport(None, "no disk", None))
    told = enter(browser(made), do="stop")
    assert told.status_code == 503
    assert "pull the plugs" in told.json()["detail"]


REFUSED = [
    (409, {"do": "record", "pack": "nobody", "what": "charged"}, "a pack of the site file"),
    (409, {"do": "measure", "pack": "heron", "what": "voltage", "values": [99]}, "for the 6 cells"),
    (409, {"do": "measure", "pack": "heron", "what": "cells", "values": [3.7]}, "one for each"),
    (409, {"do": "place", "pack": "heron", "station": "Z"}, "a station of the site file"),
    (409, {"do": "use-add", "use": "x", "start": "2001-01-01T08:00:00Z", "packs": ["heron"]},
     "over"),
    (409, {"do": "record", "pack": "heron", "what": "used", "at": "2001-13-01T08:00:00Z"}, "time"),
    (400, {"do": "record", "pack": "heron"}, "what"),
    (400, {"do": "fly", "pack": "heron"}, "do"),
    (400, {"do": "attend", "minutes": "60"}, "minutes"),
    (400, {"do": "attend", "minutes": 60.5}, "minutes"),
    (400, {"do": "attend", "minutes": True}, "minutes"),
    (400, {"do": "attend", "minutes": 60, "more": 1}, "more"),
    (400, {"do": "answer", "job": "heron-1", "yes": "yes"}, "yes"),
    (400, {"do": "release", "what": "site"}, "looked"),
    (400, {"do": "release", "what": "site", "looked": False}, "looked"),
    (400, {"do": "record", "pack": "heron", "what": "used", "at": "yesterday 18:00"}, "at"),
]  # fmt: skip


@pytest.mark.parametrize(("status", "body", "says"), REFUSED, ids=str)
def test_what_is_refused_is_one_line_that_says_why(
    tmp_path: Path, status: int, body: dict[str, Any], says: str
) -> None:
    story = full_heron(tmp_path)
    told = enter(client(story), **body)
    assert told.status_code == status, told.text
    # Source: RFC 9457, sections 3 and 3.1.
    assert told.headers["content-type"] == "application/problem+json"
    flat = told.json()
    assert set(flat) == {"type", "title", "status", "detail"}
    assert flat["status"] == status
    assert says in flat["detail"]
    assert "\n" not in told.text
    assert waiting(tmp_path) == []


def test_infinity_and_no_number_are_no_values(tmp_path: Path) -> None:
    asked = client(full_heron(tmp_path))
    for value in ("NaN", "Infinity", "1e999"):
        body = f'{{"do": "measure", "pack": "heron", "what": "voltage", "values": [{value}]}}'
        told = asked.post(f"{BASE}/entries", content=body, headers=HERE)
        assert told.status_code == 400, value
    assert waiting(tmp_path) == []


def test_a_body_is_read_no_further_than_it_may_be_long(tmp_path: Path) -> None:
    asked = client(full_heron(tmp_path))
    large = b'{"do": "' + b"x" * BODY_BYTES_MAX + b'"}'
    told = asked.post(f"{BASE}/entries", content=large, headers=HERE)
    assert told.status_code == 413
    deep = b"[" * 8_000
    assert asked.post(f"{BASE}/entries", content=deep, headers=HERE).status_code == 400


# ---- the gate ------------------------------------------------------------------------------------


def test_a_program_meets_the_gate_of_the_page(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    asked = client(story, token=TOKEN)
    entry = json.dumps({"do": "attend", "minutes": 60})
    token = {"authorization": f"Bearer {TOKEN}"}
    tries = [
        (401, "get", "/status", {}),
        (401, "get", "/openapi.json", {}),
        (401, "get", "/status", {"authorization": "Bearer wrong"}),
        (421, "get", "/status", {**token, "host": "evil.example:8455"}),
        (401, "post", "/entries", HERE),
        (403, "post", "/entries", {**token, "content-type": "application/json"}),
        (403, "post", "/entries", {**HERE, **token, "origin": "http://evil.example"}),
        (415, "post", "/entries", {**HERE, **token, "content-type": "text/plain"}),
    ]
    for status, method, path, headers in tries:
        more = {"content": entry} if method == "post" else {}
        told = getattr(asked, method)(BASE + path, headers=headers, **more)
        assert told.status_code == status, (method, path, headers)
        assert told.headers["content-type"] == "application/problem+json"
        assert "heron" not in told.text
    assert waiting(tmp_path) == []
    assert asked.get(f"{BASE}/status", headers=token).status_code == 200
    told = asked.post(f"{BASE}/entries", content=entry, headers={**HERE, **token})
    assert told.status_code in (200, 202)


def test_what_is_no_address_or_no_method_is_a_problem_too(tmp_path: Path) -> None:
    asked = client(full_heron(tmp_path))
    for path in ("/api/1/nothing", "/api/1/status/", "/api/1/packs/nobody", "/api/1/why/nobody",
                 "/api/1/forecast/nobody?action=drain&to=80", "/api/1/why/heron?rule=nothing",
                 "/api/1/why/heron?at=1999-01-01T00:00:00Z",
                 "/api/1/why/heron?at=9999-12-31T23:59:59Z"):  # fmt: skip
        told = asked.get(path)
        assert told.status_code == 404, path
        assert told.json()["status"] == 404
    for path in ("/api/1/status?x=1", "/api/1/log?limit=0", "/api/1/log?limit=501",
                 "/api/1/log?limit=1_0", "/api/1/log?after=-1", "/api/1/log?limit=1&limit=2",
                 "/api/1/why/heron?at=2026-02-30T00:00:00Z", "/api/1/why/heron?at=22:10",
                 "/api/1/forecast/heron?action=drain", "/api/1/forecast/heron?action=fly&to=80",
                 "/api/1/forecast/heron?action=drain&to=nan",
                 "/api/1/forecast/heron?action=drain&to=80&by=--help"):  # fmt: skip
        assert asked.get(path).status_code == 400, path
    told = asked.get("/api/1/entries")
    assert told.status_code == 405
    assert told.headers["allow"] == "POST"
    assert told.headers["content-type"] == "application/problem+json"
    assert asked.put("/api/1/status").headers["allow"]
    assert asked.post("/api/1/status", headers=HERE).status_code == 405


def test_rules_with_errors_and_a_journal_that_is_damaged_are_told(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.close()
    (tmp_path / "shed.care").write_text("rule x when pack.sock > 1: rest", "utf-8")
    told = client(story).get(f"{BASE}/why/heron")
    assert told.status_code == 503
    story.journal_path.write_bytes(b"no database" * 100)
    asked = client(story)
    for path in ("/status", "/packs/heron", "/log", "/chores", "/uses"):
        told = asked.get(BASE + path)
        assert told.status_code == 503, path
        assert "damaged" in told.json()["detail"] or "no sound" in told.json()["detail"]
    assert enter(asked, do="attend", minutes=5).status_code == 503


# ---- the description -----------------------------------------------------------------------------


def test_the_file_is_what_is_served_and_is_fresh(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = ROOT / "docs" / "openapi.json"
    assert describe(["--check", str(file)]) == 0
    assert client(full_heron(tmp_path)).get(f"{BASE}/openapi.json").text == file.read_text("utf-8")
    stale = tmp_path / "openapi.json"
    stale.write_text("{}", "utf-8")
    assert describe(["--check", str(stale)]) == 1
    assert "out of date" in capsys.readouterr().err
    assert describe([str(stale)]) == 0
    assert stale.read_text("utf-8") == file.read_text("utf-8")


def test_every_address_is_described_and_in_the_docs() -> None:
    words = (ROOT / "docs" / "api.md").read_text("utf-8")
    paths = document()["paths"]
    assert set(paths) == {f"{BASE}/openapi.json", *(f"{BASE}{door.path}" for door in DOORS)}
    for path in paths:
        assert f"`{path.removeprefix(BASE)}" in words, path

"""How far a long command is: on a terminal's standard error only, and gone when it is done."""

from __future__ import annotations

import json
import sys
from io import StringIO
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from reading_kit import draining_heron

from carerules.cli import main
from carerules.cli import progress as room
from carerules.cli.progress import Progress
from carerules.shipped import shipped

SURVEY = Path(__file__).parents[2] / "examples" / "river-survey"


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """What the clock says next, each time it is asked."""
    times: list[float] = []
    monkeypatch.setattr(room, "monotonic", lambda: times.pop(0))
    return times


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> StringIO:
    """Where it is shown."""
    stream = StringIO()

    def shows(text: str, *, err: bool, end: str) -> None:
        assert err
        stream.write(text + end)

    monkeypatch.setattr(room, "on_terminal", lambda: True)
    monkeypatch.setattr(room, "utter", shows)
    return stream


def test_nothing_is_said_within_the_first_second(clock: list[float], terminal: StringIO) -> None:
    clock[:] = [0.0, 0.4, 0.9]
    with Progress("playing", 10) as progress:
        progress.at(1)
        progress.at(5)
    assert terminal.getvalue() == ""


def test_a_line_says_how_far_and_how_long_and_is_gone_at_the_end(
    clock: list[float], terminal: StringIO
) -> None:
    clock[:] = [0.0, 1.0, 1.2, 3.0]
    with Progress("playing", 10) as progress:
        progress.at(0.1, "1 night")
        progress.at(5)  # too soon after the last
        progress.at(6)
    first, second = "playing: 1%, 1 night", "playing: 60%, about 2 s left"
    assert terminal.getvalue() == f"\r{first}\r{second}\r{' ' * len(second)}\r"


def test_a_shorter_line_leaves_nothing_of_the_longer(
    clock: list[float], terminal: StringIO
) -> None:
    clock[:] = [0.0, 1.0, 2.0]
    with Progress("playing", 100) as progress:
        progress.at(1, "with many words behind it")
        progress.at(2)
    last = terminal.getvalue().split("\r")[2]
    assert last.rstrip() == "playing: 2%"
    assert len(last) == len("playing: 1%, with many words behind it")


def test_a_line_is_never_wider_than_a_terminal_and_is_cleared_when_it_breaks_off(
    clock: list[float], terminal: StringIO
) -> None:
    clock[:] = [0.0, 1.0]
    progress = Progress("x" * 200)
    with pytest.raises(ZeroDivisionError):
        _breaks_off(progress)
    said = terminal.getvalue().split("\r")
    assert [len(one) for one in said] == [0, 79, 79, 0]
    assert said[2].strip() == ""


def _breaks_off(progress: Progress) -> None:
    with progress:
        progress.at(7)
        progress.at(7 / 0)


@pytest.mark.parametrize(("isatty", "term"), [(False, "xterm"), (True, "dumb")])
def test_no_other_stream_sees_any_of_it(
    isatty: bool, term: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    stream = StringIO()
    monkeypatch.setattr(stream, "isatty", lambda: isatty)
    monkeypatch.setattr(sys, "stderr", stream)
    monkeypatch.setenv("TERM", term)
    with Progress("playing", 10) as progress:
        assert list(progress.through("abc")) == ["a", "b", "c"]
        progress.wait("long")
    assert not progress.watched
    assert stream.getvalue() == ""


# ---- the commands that take their time ----------------------------------------------------------


LONG: list[tuple[str, list[str]]] = [
    ("playing 0.05 days: ", ["rehearse", str(SURVEY / "site.toml"), "--days", "0.05"]),
    ("playing nights: ", ["campaign", "--nights", "2", "--processes", "1"]),
    ("playing scenarios: ", ["test", str(shipped("rules") / "lipo.care")]),
    ("going through the journal: ", ["replay", "--site", "SITE"]),
    ("writing tables: ", ["export", "SITE", "--to", "TABLES"]),
    ("going through the journal: ", ["report", "--site", "SITE", "--month", "2026-11"]),
    ("looking at the past of packs: ", ["health", "--site", "SITE"]),
    ("comparing: the last 3 days", ["compare", "RULES", "--days", "3", "--site", "SITE"]),
    ("planning: at most 1 s", ["plan", "--site", "SITE", "--seconds", "1"]),
]


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    story = draining_heron(tmp_path_factory.mktemp("shed"))
    story.close()
    return story.path


def run(words: list[str], shed: Path, tables: Path) -> Result:
    places = {"SITE": str(shed), "RULES": str(shed.parent / "shed.care"), "TABLES": str(tables)}
    return CliRunner().invoke(main, [places.get(word, word) for word in words])


@pytest.mark.parametrize(("says", "words"), LONG, ids=[words[0] for _, words in LONG])
def test_a_long_command_says_how_far_it_is_on_a_terminal_only(
    says: str, words: list[str], shed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    quiet = run(words, shed, tmp_path / "a")
    assert quiet.exit_code == 0, quiet.output
    assert "\r" not in quiet.stderr + quiet.stdout
    seconds = iter(range(10**9))
    monkeypatch.setattr(room, "on_terminal", lambda: True)
    monkeypatch.setattr(room, "monotonic", lambda: float(next(seconds)))
    watched = run(words, shed, tmp_path / "b")
    assert watched.exit_code == 0
    assert f"\r{says}" in watched.stderr
    assert "\r" not in watched.stdout
    assert "\x1b" not in watched.stderr
    left = watched.stderr.split("\r")
    assert left[-1] == quiet.stderr
    assert left[-2].strip() == ""


def test_json_is_whole_beside_it(
    shed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(room, "on_terminal", lambda: True)
    monkeypatch.setattr(room, "PATIENCE_S", 0.0)
    got = run(["health", "--site", "SITE", "--json"], shed, tmp_path)
    assert json.loads(got.stdout)

"""What the board says of a status: a pure function, held to stories stepped by hand."""

from __future__ import annotations

import re
from dataclasses import fields, is_dataclass
from pathlib import Path

import pytest
from board_kit import status
from reading_kit import FIRES, FULL, T0, Story, begin, draining_heron, full_heron, seen_heron

from carerules.board import packrow, past, planview, rulework, view
from carerules.board.packrow import Row, for_page, minutes, row_of
from carerules.board.view import board_of
from carerules.domain.event import (
    Answered,
    ChoreAnswered,
    Happened,
    Placed,
    Stopped,
    Tick,
    UsePlanned,
)
from carerules.domain.moment import HOUR, MINUTE, SECOND
from carerules.domain.pack import Use
from carerules.report.shapes import ChoreShape


def row(story: Story, name: str = "heron") -> Row:
    shape = status(story)
    return row_of(next(pack for pack in shape.packs if pack.pack == name), shape)


def test_a_rule_that_counts_says_how_far_it_has_run_and_when_it_fires(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.go(seen_heron(FIRES - 6 * HOUR), Tick(FIRES - 6 * HOUR + MINUTE))
    seen = row(story)
    assert (seen.mood, seen.state, seen.charge) == ("wait", "waiting on a rule", "100")
    (bar,) = seen.bars
    assert bar.rule == "full-too-long"
    assert bar.share == pytest.approx(18 / 24, abs=0.002)
    assert bar.words == "18 h 1 min of 24 h; fires Tue 01 Dec 18:01, in 5 h 59 min"
    assert seen.wanted == "may stay so; 80 % wanted from Tue 01 Dec 18:01"
    assert seen.why == "full-too-long: a pack left full loses capacity"
    assert seen.next == "Tue 01 Dec 18:01, in 5 h 59 min: rule full-too-long: drain to 80 %"
    assert (seen.lane.wanted, seen.lane.wanted_now) == (80.0, False)


def test_a_drain_under_way_is_at_work_and_wants_its_level_now(tmp_path: Path) -> None:
    seen = row(draining_heron(tmp_path))
    assert (seen.mood, seen.state) == ("work", "drains")
    assert seen.wanted == "wanted now: 80 %"
    assert (seen.lane.wanted, seen.lane.wanted_now) == (80.0, True)
    assert seen.next == "now: drain to 80 %, moving energy"
    assert [job.job for job in seen.jobs] == ["heron-1"]


RIVALS = """\
rule high on lipo packs
    when pack.soc >= 95: drain to 80 %
rule stored on lipo packs over high
    when pack.soc >= 90 for 2 min: drain to 50 %
"""


def test_of_two_jobs_the_one_that_has_the_pack_says_what_is_wanted(tmp_path: Path) -> None:
    """The older one waits for it: its level would contradict what is asked of people."""
    story = full_heron(tmp_path, rules=RIVALS)
    story.go(Placed(FULL + 2 * MINUTE, "heron", None), Tick(FULL + 5 * MINUTE))
    seen = row(story)
    assert [job.line for job in seen.jobs] == ["drain to 50 %", "drain to 80 %"]
    assert seen.wanted == "wanted now: 50 %"
    assert seen.why.startswith("stored")
    assert seen.next.startswith("now: drain to 50 %")
    (asked,) = [note.text for note in seen.notes]
    assert "drain to 50 %" in asked


def test_the_last_reading_has_its_age_and_source(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.go(seen_heron(FIRES - 6 * HOUR), Tick(FIRES - 6 * HOUR + 3 * MINUTE))
    assert row(story).last == "voltage 25.14 V, 3 min ago, by test bench"
    story.go(Tick(FIRES - 5 * HOUR))
    assert row(story).last == "voltage 25.14 V, 1 h ago (old), by test bench"


def test_of_a_pack_that_nothing_measures_the_last_word_is_a_persons(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.go(Tick(T0 + 2 * HOUR))
    assert row(story, "egret").last == "60 %, 1 h 58 min ago, a person"


def test_of_a_pack_nobody_ever_read_that_is_said(tmp_path: Path) -> None:
    seen = row(begin(tmp_path), "egret")
    assert (seen.mood, seen.state, seen.charge) == ("look", "charge unknown", "?")
    assert seen.last == "nothing was ever read of it"
    assert seen.lane.level is None
    # The state has said already what is unknown: the note says why, and what to do.
    assert [note.text for note in seen.notes] == ["never seen: enter a reading"]


def test_a_swollen_pack_asks_for_a_look_before_anything_else(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    at = FIRES + 2 * SECOND
    story.go(Happened(at, at, "heron", "swelling", "a person"))
    seen = row(story)
    assert seen.mood == "look"
    assert seen.barred
    assert any(note.text.startswith("takes no energy: ") for note in seen.notes)


def test_what_a_job_asks_is_a_chore_with_yes_and_not_now(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    soon = T0 + 8 * HOUR
    story.go(
        UsePlanned(T0 + HOUR, Use("night round", soon, frozenset({"egret"}))), Tick(T0 + 2 * HOUR)
    )
    board = board_of(status(story))
    (chore,) = board.chores
    assert (chore.asks, chore.text, chore.pack) == (True, "charge egret?", "egret")
    assert row(story, "egret").state == "asks you"
    story.go(Answered(T0 + 2 * HOUR + MINUTE, chore.job, True))
    assert not any(one.asks for one in board_of(status(story)).chores)


def test_a_chore_put_off_is_shown_apart_and_presses_nobody(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.go(Placed(FIRES - HOUR, "heron", None), Tick(FIRES))
    (chore,) = board_of(status(story)).chores
    assert (chore.asks, chore.job, chore.pack) == (False, "heron-1", "heron")
    assert row(story).state == "for you to do"
    story.go(ChoreAnswered(FIRES + MINUTE, chore.key, chore.text, FIRES + HOUR))
    board = board_of(status(story))
    assert board.chores == ()
    assert [one.later for one in board.put_off] == ["Tue 01 Dec 19:01"]
    assert row(story).state == "waiting"
    story.go(Tick(FIRES + HOUR))
    assert [one.key for one in board_of(status(story)).chores] == [chore.key]


def test_a_stop_stands_at_the_head_with_its_reason(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    story.go(Stopped(FIRES + 2 * SECOND, "the board"))
    board = board_of(status(story))
    assert board.stopped
    assert board.notes[0].text == "everything is stopped (the board)"


def test_a_plug_that_is_not_read_back_off_is_never_said_to_be_off(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    story.go(Stopped(FIRES + 2 * SECOND, "a person"))
    station = board_of(status(story)).stations[0]
    assert station.plugs[0].mood == "look"
    assert station.plugs[0].words.startswith("NOT proved off")


def test_the_summary_names_who_asks_for_a_look_and_not_a_crowd(tmp_path: Path) -> None:
    shape = status(begin(tmp_path))
    assert board_of(shape).summary == "2 to look at; look at heron, egret"
    crowd = [shape.packs[1].model_copy(update={"pack": f"p{n}"}) for n in range(8)]
    many = board_of(shape.model_copy(update={"packs": crowd}))
    assert many.summary == "8 to look at; look at p0, p1, p2, p3, p4, p5 and 2 more"


def test_the_summary_counts_each_pack_once(tmp_path: Path) -> None:
    board = board_of(status(full_heron(tmp_path)))
    assert board.summary == "1 waiting, 1 at rest"


def test_of_what_is_alike_the_first_few_stand_open_and_all_are_there(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    names = ("heron", "egret", "teal", "rail", "coot")
    at = story.world.local.read(T0)
    looks = [
        ChoreShape(key=f"{name} look", job=None, asks=False, pack=name, text=f"look at {name}",
                   since=at, later=None)
        for name in names
    ]  # fmt: skip
    other = looks[0].model_copy(update={"key": "heron weigh", "text": "weigh heron"})
    few = board_of(status(story).model_copy(update={"chores": [*looks[:3], other]}))
    assert (len(few.chores), few.more) == (4, ())
    many = board_of(status(story).model_copy(update={"chores": [*looks, other]}))
    assert [one.text for one in many.chores] == [
        "look at heron", "look at egret", "look at teal", "weigh heron",
    ]  # fmt: skip
    (more,) = many.more
    assert more.words == "look at 2 more packs (rail, coot)"
    assert [one.key for one in more.chores] == ["rail look", "coot look"]


WORDS = [
    ("stay with it and say `carerules attend 60`", "stay with it"),
    ("look at it, then `carerules release heron`", "look at it"),
    ("charge egret? (`carerules answer egret-1 yes`)", "charge egret?"),
    (
        "read heron's voltage and enter it: `carerules record heron voltage`",
        "read heron's voltage and enter it",
    ),
    ("put heron on a station with a load", "put heron on a station with a load"),
    ("look at heron: leads; then `carerules record heron inspected`", "look at heron: leads"),
]


@pytest.mark.parametrize(("text", "shown"), WORDS)
def test_words_for_the_command_line_are_left_out_beside_a_button(text: str, shown: str) -> None:
    assert for_page(text) == shown


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0, "under a minute"), (59.9, "under a minute"), (61, "1 min"), (3 * 3600 + 59, "3 h")],
)
def test_times_stand_still_within_a_minute(seconds: float, words: str) -> None:
    assert minutes(seconds) == words


def test_a_field_more_has_its_place() -> None:
    """What is made for the page is read there: by a template, or on the way to one."""
    board = Path(view.__file__).parent
    holes = re.findall(
        r"{[{%].*?[%}]}",
        "".join(one.read_text("utf-8") for one in board.glob("templates/*.html")),
    )
    code = [one.read_text("utf-8") for one in board.glob("*.py")]
    read = set(re.findall(r"\.(\w+)", " ".join([*holes, *code])))
    made = {
        f"{kind.__name__}.{field.name}": field.name
        for room in (packrow, past, planview, rulework, view)
        for kind in vars(room).values()
        if isinstance(kind, type) and is_dataclass(kind) and kind.__module__ == room.__name__
        for field in fields(kind)
    }
    assert len(made) > 60
    assert {place for place, name in made.items() if name not in read} == set()

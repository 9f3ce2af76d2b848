"""A person's word on a chore: done, or not now."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "cli"))

from reading_kit import FIRES, T0, Story, begin, full_heron

from carerules.domain.event import ChoreAnswered, Happened, Placed, Tick
from carerules.domain.moment import HOUR, MINUTE, SECOND

RULES = """\
rule look-over on pack heron
    when count use since inspection >= 2: chore "look {pack} over"

rule full-too-long on lipo packs
    when pack.soc >= 95 for 24 h: drain to 80 %
"""


def used_twice(folder: Path) -> tuple[Story, str]:
    story = begin(folder, rules=RULES)
    for number in (1, 2):
        at = T0 + number * HOUR
        story.go(Happened(at, at, "heron", "use", "a person"))
    (key,) = story.world.chores
    return story, key


def test_a_chore_that_is_done_goes_and_stays_away(tmp_path: Path) -> None:
    story, key = used_twice(tmp_path)
    story.go(ChoreAnswered(T0 + 3 * HOUR, key, "look heron over"))
    assert not story.world.chores
    story.go(Tick(T0 + 30 * HOUR))
    assert key not in story.world.chores


def test_it_comes_again_when_its_rule_fires_again(tmp_path: Path) -> None:
    story, key = used_twice(tmp_path)
    story.go(ChoreAnswered(T0 + 3 * HOUR, key, "look heron over"))
    at = T0 + 4 * HOUR
    story.go(Happened(at, at, "heron", "inspection", "a person"))
    for number in (5, 6):
        at = T0 + number * HOUR
        story.go(Happened(at, at, "heron", "use", "a person"))
    assert key in story.world.chores


def test_not_now_keeps_it_with_its_time(tmp_path: Path) -> None:
    story, key = used_twice(tmp_path)
    until = T0 + 12 * HOUR
    story.go(ChoreAnswered(T0 + 3 * HOUR, key, "look heron over", until))
    assert story.world.chores[key].later == until
    story.snapshot()
    shown = story.run("status").output
    assert "1. look heron over (since Mon 30 Nov 20:00; not before Tue 01 Dec 06:00)" in shown


def test_what_a_job_waits_for_is_not_done_by_saying_so(tmp_path: Path) -> None:
    story = full_heron(tmp_path, rules=RULES)
    story.go(Placed(FIRES - HOUR, "heron", None), Tick(FIRES))
    (key,) = story.world.chores
    assert story.world.packs["heron"].jobs[0].id == key
    story.go(ChoreAnswered(FIRES + SECOND, key, "put heron on a station with a load"))
    assert key in story.world.chores
    story.go(Placed(FIRES + MINUTE, "heron", "A"), Tick(FIRES + MINUTE + SECOND))
    assert key not in story.world.chores


def test_a_chore_that_is_not_there_is_no_fault(tmp_path: Path) -> None:
    story, _ = used_twice(tmp_path)
    before = story.world.chores
    story.go(ChoreAnswered(T0 + 3 * HOUR, "no such", "words"))
    assert story.world.chores == before


def test_the_command_says_it(tmp_path: Path) -> None:
    story, key = used_twice(tmp_path)
    story.snapshot()
    story.close()
    assert "1. look heron over" in story.run("chore").output
    assert story.run("chore", "2", "done").exit_code == 2
    assert story.run("chore", "1", "perhaps").exit_code == 2
    assert story.run("chore", "1", "later", "9 weeks").exit_code == 2
    assert story.run("chore", "1", "later", "4h").exit_code == 0
    assert "not before" in story.run("status").output
    assert story.run("chore", "1", "done").exit_code == 0
    assert "nothing is for you to do" in story.run("chore").output
    assert key

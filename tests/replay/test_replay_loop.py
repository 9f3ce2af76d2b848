"""The whole way: facts through the real step, the same facts recorded and replayed. The stories are
the pictures of docs/semantics.md, and some where a pack's charge moves by itself."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parents[1] / "loop"))
sys.path.append(str(Path(__file__).parents[1] / "oracle_tables"))

from kit import BEGIN, SIGNALS, Stage, end_of, events_of, setup_of
from pictures_kit import read

from carerules.domain.decision import Fired
from carerules.domain.event import Event, Sample, Started, Tick, Value
from carerules.domain.moment import HOUR, MINUTE
from carerules.loop import new_world
from carerules.replay import TooMuchError, covers, record, replay

PAGE = Path(__file__).parents[2] / "docs" / "semantics.md"
PICTURES = [read(block).told for block in
            re.findall(r"^```text\n(.*?)^```$", PAGE.read_text("utf-8"), re.M | re.S)]  # fmt: skip
STORIES = [(told["when"], told["heard"]) for told in PICTURES if "when" in told]
STORIES += [
    ("pack.soc < 89.5 for 24 h", "0m soc=90; 30d"),
    ("pack.soc between 85 % and 89 % in last 3 d", "0m soc=90; 10d soc=60; 40d"),
    ("pack.rested >= 20 min", "0m t=20 soc=50; 50m"),
    ("time until use <= 6 h and pack.soc < 90 %", "0h soc=50 use=36h; 60h"),
    ("time since charge > 3 d", "0h soc=50 +charge; 2d +charge; 9d"),
    ("number of packs where (pack.soc > 50) >= 1", "0h soc=60; 1h soc=40; 2h soc=70; 3h"),
    ("mean of pack.temperature over 1 h > 30 °C", "0m t=20; 9m t=40; 18m t=40; 27m t=40; 1h"),
    ("site.temperature > 30 °C for 5 min", "0m room=20; 3m room=35; 12m room=20; 20m room=31; 30m"),
    ("during 03:00-05:00 and pack.soc > 50", "0h soc=60; 4d"),
]


def played(when: str, story: str) -> tuple[list[tuple[str, int]], list[tuple[Event, list[object]]]]:
    stage = Stage(new_world(setup_of(f'rule it\n    when {when}: notify "it"\n'), BEGIN))
    stage.hear(Started(BEGIN))
    for event in events_of(story):
        if event.heard > stage.now + 1:
            stage.until(event.heard - 1)
        stage.hear(event)
    stage.until(end_of(story))
    return [(one.pack, one.since) for one in stage.all(Fired)], stage.log


@pytest.mark.parametrize(("when", "story"), STORIES)
def test_the_recorded_facts_fire_what_the_loop_fired(when: str, story: str) -> None:
    fired, log = played(when, story)
    setup = setup_of(f'rule it\n    when {when}: notify "it"\n')
    reads = {name for name in SIGNALS if name in when}
    recording = record(log, setup, reads, end_of(story))
    assert recording is not None
    done = replay(setup.plan, setup.site.packs, recording.tape, SIGNALS)
    assert [(one.pack, one.at) for one in done.firings] == fired
    assert bool(done.online) == bool(covers(setup.plan.rules[0]))


def test_most_stories_fire_and_both_ways_are_gone() -> None:
    fired = [bool(played(when, story)[0]) for when, story in STORIES]
    assert sum(fired) > len(fired) / 2
    ways = {bool(covers(setup_of(f"rule it\n    when {when}: notify \"it\"\n").plan.rules[0]))
            for when, _ in STORIES}  # fmt: skip
    assert ways == {True, False}


def test_a_sample_from_a_clock_ahead_of_ours_counts_from_when_it_was_heard() -> None:
    ahead = Sample(BEGIN + HOUR, BEGIN + 30 * HOUR, "heron", (Value("pack.soc", 60.0),), "probe")
    setup = setup_of('rule it\n    when pack.soc > 50: notify "it"\n')
    log: list[tuple[Event, list[object]]] = [(Started(BEGIN), []), (ahead, [])]
    recording = record(log, setup, {"pack.soc"}, BEGIN + 2 * HOUR)
    assert recording is not None
    done = replay(setup.plan, setup.site.packs, recording.tape, SIGNALS)
    assert [one.at for one in done.firings] == [BEGIN + HOUR]


def test_what_came_too_late_is_left_out_and_counted() -> None:
    def hot(heard: int, at: int, value: float) -> tuple[Event, list[object]]:
        values = (Value("pack.temperature", value),)
        return Sample(BEGIN + heard, BEGIN + at, "heron", values, "probe"), []

    setup = setup_of('rule it\n    when pack.temperature > 40 °C: notify "it"\n')
    log = [hot(0, 0, 20), hot(5 * MINUTE, 5 * MINUTE, 20), hot(6 * MINUTE, MINUTE, 45)]
    recording = record(log, setup, {"pack.temperature"}, BEGIN + HOUR)
    assert recording is not None
    assert recording.left_out == 1
    assert not replay(setup.plan, setup.site.packs, recording.tape, SIGNALS).firings


def test_a_replay_takes_so_many_facts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("carerules.replay.recorder.FACTS_MAX", 3)
    setup = setup_of('rule it\n    when pack.soc > 50: notify "it"\n')
    told: list[tuple[Event, list[object]]] = [(Tick(BEGIN + at), []) for at in range(4)]
    assert record(told[:3], setup, (), BEGIN + HOUR) is not None
    with pytest.raises(TooMuchError):
        record(told, setup, (), BEGIN + HOUR)

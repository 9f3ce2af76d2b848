"""A pack of whose charge nothing is known comes on the to-do list, and goes once it is read."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from kit import BEGIN, CHEMISTRIES, DAY, HOUR, MINUTE, SECOND, Stage, make_site, sample, stage_of
from test_restart import Store

from carerules.domain.decision import ChoreClosed, ChoreOpened, Notice
from carerules.domain.event import (
    A_PERSON,
    Cancelled,
    ChoreAnswered,
    Ended,
    Event,
    Happened,
    Released,
    Started,
    Tick,
    Value,
)
from carerules.domain.event import Sample as Heard
from carerules.domain.moment import Moment
from carerules.domain.quantity import Known
from carerules.loop import World, next_due, step
from carerules.service import dump_world, restore

KEY = "heron unread"
READ = (
    "read heron's voltage and enter it, nothing is known of its charge:"
    " `carerules record heron voltage`"
)


def happened(stage: Stage, what: str) -> None:
    stage.hear(Happened(stage.now, stage.now, "heron", what, A_PERSON))


def entered(at: Moment) -> Event:
    """15 minutes after use, 22.8 V: as a person types it in."""
    return Heard(at, at, "heron", (Value("pack.voltage", 22.8, 0.02),), A_PERSON)


def test_a_day_after_the_first_start_somebody_is_asked_and_told() -> None:
    stage = stage_of("")
    stage.until(BEGIN + DAY - 1)
    assert not stage.world.chores
    stage.until(BEGIN + DAY)
    assert stage.timed(ChoreOpened) == [("1d", ChoreOpened(KEY, "heron", READ))]
    assert stage.timed(Notice) == [("1d", Notice(f"chore {KEY}", READ, "heron"))]
    stage.until(BEGIN + 90 * DAY)
    assert len(stage.all(ChoreOpened)) == 1


def test_of_many_at_once_one_is_told_of() -> None:
    stage = stage_of("", make_site(("heron", "egret", "dipper")))
    stage.until(BEGIN + 2 * DAY)
    assert [one.pack for one in stage.all(ChoreOpened)] == ["heron", "egret", "dipper"]
    assert [one.pack for one in stage.all(Notice)] == ["heron"]


def test_a_reading_ends_it() -> None:
    stage = stage_of("")
    stage.until(BEGIN + 3 * DAY)
    assert KEY in stage.world.chores
    stage.hear(entered(stage.now))
    assert isinstance(stage.world.packs["heron"].soc, Known)
    assert stage.timed(ChoreClosed) == [("3d", ChoreClosed(KEY))]
    assert not stage.world.chores
    stage.until(BEGIN + 90 * DAY)
    assert len(stage.all(ChoreOpened)) == 1


def test_a_pack_whose_feed_speaks_is_never_asked_for() -> None:
    stage = stage_of("")
    stage.until(BEGIN + 10 * SECOND)
    stage.hear(sample(stage.now, cell=3.9))
    stage.until(BEGIN + 90 * DAY)
    assert not stage.all(ChoreOpened, Notice)


def test_a_use_that_nobody_counted_asks_for_a_reading_a_day_later() -> None:
    stage = stage_of("")
    stage.hear(sample(BEGIN, soc=95.0))
    stage.until(BEGIN + 5 * DAY)
    happened(stage, "use")
    stage.until(BEGIN + 90 * DAY)
    (when, chore), = stage.timed(ChoreOpened)  # fmt: skip
    assert when == "6d"
    assert "nothing is known of its charge since it was used" in chore.text


def test_charging_it_in_time_asks_nobody() -> None:
    stage = stage_of("")
    happened(stage, "use")
    stage.until(BEGIN + 20 * HOUR)
    happened(stage, "charge")
    stage.until(BEGIN + 90 * DAY)
    assert not stage.all(ChoreOpened)


def test_whoever_says_that_it_is_done_with_is_not_asked_again_until_it_is_lost_again() -> None:
    stage = stage_of("")
    stage.until(BEGIN + 2 * DAY)
    stage.hear(ChoreAnswered(stage.now, KEY, READ))
    stage.until(BEGIN + 20 * DAY)
    assert not stage.world.chores
    stage.hear(sample(stage.now, soc=95.0))
    happened(stage, "use")
    stage.until(BEGIN + 30 * DAY)
    assert [when for when, _ in stage.timed(ChoreOpened)] == ["1d", "21d"]


@pytest.mark.parametrize("how", ["swelling", "retire"])
def test_a_barred_pack_is_not_asked_for_until_it_is_released(how: str) -> None:
    stage = stage_of('when time since inspection < 1 h: retire because "dropped"')
    happened(stage, "inspection" if how == "retire" else how)
    stage.until(BEGIN + 10 * DAY)
    assert KEY not in stage.world.chores
    stage.hear(Released(stage.now, "heron"))
    stage.until(BEGIN + 30 * DAY)
    told = [when for when, one in stage.timed(ChoreOpened) if one.key == KEY]
    assert told == ["11d"]


def test_barring_it_takes_it_off_the_list() -> None:
    stage = stage_of("")
    stage.until(BEGIN + 2 * DAY)
    assert KEY in stage.world.chores
    happened(stage, "swelling")
    assert KEY not in stage.world.chores


def test_where_a_job_asks_for_it_nobody_is_asked_twice() -> None:
    stage = stage_of("when time since use < 60 d: drain to 50 %", make_site(stations=("bench",)))
    happened(stage, "use")
    stage.until(BEGIN + 10 * DAY)
    (job,) = stage.jobs
    assert list(stage.world.chores) == [job.id]
    stage.hear(Cancelled(stage.now, job.id))
    stage.until(BEGIN + 30 * DAY)
    assert [when for when, one in stage.timed(ChoreOpened) if one.key == KEY] == ["11d"]


def test_a_chemistry_that_shows_nothing_is_charged_full_instead() -> None:
    site = make_site()
    nickel = replace(site.packs["heron"], chemistry="nimh", limits=CHEMISTRIES["nimh"].limits)
    stage = stage_of("", replace(site, packs={"heron": nickel}))
    stage.hear(sample(BEGIN, voltage=7.5))
    stage.until(BEGIN + DAY)
    assert stage.world.chores[KEY].text == (
        "charge heron full and say so, nothing is known of its charge:"
        " `carerules record heron charged`"
    )
    happened(stage, "charge")
    assert not stage.world.chores


def test_nothing_is_asked_while_the_service_leaves_or_starts() -> None:
    stage = stage_of("")
    stage.hear(Ended(BEGIN + DAY - HOUR))
    stage.hear(Tick(BEGIN + DAY + HOUR))
    assert not stage.world.chores
    assert next_due(stage.world) > stage.now, "nothing comes of what is due then"
    stage.hear(Started(BEGIN + DAY + 2 * HOUR))
    assert KEY in stage.world.chores


def test_it_keeps_nobody_awake() -> None:
    stage = stage_of("", make_site(("heron", "egret", "dipper")))
    stage.until(BEGIN + 90 * DAY)
    ticks = [event for event, _ in stage.log if isinstance(event, Tick)]
    assert len(ticks) <= 2  # the day after, and the end


# ---- started again ---------------------------------------------------------------------------


MARKS_LATER = """
when count inspection in last 1 h >= 1:
    rest 2 h
    mark looked-over
    rest 2 h
    mark use
"""


def story() -> tuple[Stage, list[World]]:
    """Asked for, answered, read, used, asked for again, quarantined, released, asked for, read."""
    stage, worlds = stage_of(MARKS_LATER), []

    def keep(world: World, event: Event) -> Any:
        after = step(world, event)
        worlds.append(after[0])
        return after

    stage.step = keep
    stage.log.clear()
    stage.hear(Started(BEGIN))
    stage.until(BEGIN + 2 * DAY)
    stage.hear(ChoreAnswered(stage.now, KEY, READ))
    stage.until(BEGIN + 4 * DAY)
    stage.hear(entered(stage.now))
    stage.until(BEGIN + 5 * DAY)
    happened(stage, "inspection")  # four hours later a job marks a use, by its own hand
    stage.until(BEGIN + 7 * DAY)
    happened(stage, "swelling")
    stage.until(BEGIN + 8 * DAY)
    stage.hear(Released(stage.now, "heron"))
    stage.until(BEGIN + 10 * DAY)
    stage.hear(entered(stage.now))
    stage.until(BEGIN + 10 * DAY + MINUTE)
    return stage, worlds


STAGE, WORLDS = story()


def test_the_story_asks_three_times() -> None:
    assert [when for when, _ in STAGE.timed(ChoreOpened)] == ["1d", "6d4h", "9d"]
    assert [when for when, _ in STAGE.timed(ChoreClosed)] == ["2d", "7d", "10d"]


@pytest.mark.parametrize("shot", [None, 1, 3, 6])
@pytest.mark.parametrize("cut", range(1, len(WORLDS) + 1))
def test_a_restart_at_any_cut_asks_as_it_would_have(cut: int, shot: int | None) -> None:
    shots = []
    if shot is not None:
        taken = min(shot, cut)
        shots = [(len(Store(STAGE.log[:taken], []).rows), dump_world(WORLDS[taken - 1]))]
    went = WORLDS[cut - 1]
    came = restore(Store(STAGE.log[:cut], shots), went.setup, went.now)
    assert came.packs["heron"].ask_at == went.packs["heron"].ask_at
    assert came.chores == went.chores

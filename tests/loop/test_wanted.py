"""A pack wanted for storage, or ready: a job like a rule's, under the same interlock."""

from __future__ import annotations

import pytest
from kit import BEGIN, MINUTE, SECOND, Stage, make_site, sample, stage_of

from carerules.domain.decision import (
    ChoreOpened,
    Ending,
    JobBegan,
    JobEnded,
    SwitchOff,
    SwitchOn,
    Veto,
)
from carerules.domain.event import Attended, Placed, Started, Stopped, Wanted
from carerules.loop import learn, untimely

NONE = ""
COLD, MILD, HOT = -15.0, 21.0, 70.0


def begun(*, where: str | None = "A", soc: float = 90.0, warm_c: float = MILD) -> Stage:
    """A pack that tells its state each ten seconds, on a station, with a minute behind it."""
    told = stage_of(NONE, make_site(stations=("A",)))
    cell = 4.05 if soc > 60 else 3.75

    def feed(at: int) -> object:
        return sample(at, soc=soc, temperature=warm_c, voltage=6 * cell, cell=cell)

    told.feeds["heron"] = feed  # type: ignore[assignment]
    if where is not None:
        told.hear(Placed(told.now, "heron", where))
    told.until(BEGIN + MINUTE)
    return told


def want(told: Stage, goal: str = "storage", target: float = 50.0) -> None:
    told.hear(Wanted(told.now, "heron", goal, target))  # type: ignore[arg-type]


def test_storage_is_a_drain_through_the_same_permits() -> None:
    told = begun()
    want(told)
    assert [one.line for one in told.all(JobBegan)] == ["drain to 50 %"]
    told.until(told.now + 10 * SECOND)
    (on, *_) = told.all(SwitchOn)
    assert (on.plug, on.lease_s) == ("A-load", 90)


def test_ready_is_a_charge_that_waits_for_somebody() -> None:
    told = begun(soc=40.0)
    want(told, "ready", 100.0)
    told.until(told.now + 40 * MINUTE)
    assert told.all(SwitchOn) == []
    assert [job.wording() for job in told.jobs] == ["charge to 100 %"]
    assert told.all(Veto)
    told.hear(Attended(told.now, told.now + 60 * MINUTE))
    told.until(told.now + MINUTE)
    assert [one.plug for one in told.all(SwitchOn)][:1] == ["A-charger"]


@pytest.mark.parametrize("warm_c", [COLD, HOT])
def test_no_wish_loosens_a_limit(warm_c: float) -> None:
    told = begun(warm_c=warm_c)
    want(told)
    told.until(told.now + 10 * MINUTE)
    assert told.all(SwitchOn) == []
    assert any("°C" in one.show() for one in told.all(Veto))


def test_a_pack_that_hangs_nowhere_becomes_a_chore() -> None:
    told = begun(where=None)
    want(told)
    told.until(told.now + MINUTE)
    assert any("put heron on a station with a load" in one.text for one in told.all(ChoreOpened))


def test_who_wants_the_other_no_longer_wants_the_one() -> None:
    told = begun()
    want(told)
    want(told, "ready", 100.0)
    (ended,) = told.all(JobEnded)
    assert (ended.ending, ended.why) == (Ending.CANCELLED, "something else is wanted now")
    assert [job.wording() for job in told.jobs] == ["charge to 100 %"]


def test_what_is_there_already_is_not_needed() -> None:
    told = begun(soc=40.0)
    want(told)
    told.until(told.now + MINUTE)
    assert [one.ending for one in told.all(JobEnded)] == [Ending.NOT_NEEDED]
    assert told.all(SwitchOn) == []


def test_a_wish_does_not_outlive_a_start() -> None:
    """Whoever asked may have left meanwhile."""
    told = begun()
    want(told)
    told.until(told.now + 10 * SECOND)
    told.hear(Started(told.now))
    assert told.jobs == []
    assert "asked for it before this start" in told.all(JobEnded)[-1].why
    assert told.all(SwitchOff)


def test_in_a_stop_and_at_a_start_nothing_is_taken_up() -> None:
    told = begun()
    told.hear(Stopped(told.now, "a hub"))
    asked = Wanted(told.now, "heron", "storage", 50.0)
    assert "everything is stopped (a hub)" in untimely(told.world, asked)
    starting = stage_of(NONE, make_site(stations=("A",)), obey=False)
    assert "brought off first" in untimely(starting.world, asked)
    assert untimely(begun().world, asked) == ""


def test_of_a_past_wish_nothing_is_done() -> None:
    told = begun()
    world = learn(told.world, Wanted(told.now, "heron", "storage", 50.0), ())
    assert all(not state.jobs for state in world.packs.values())

"""How long a station stays off, and that the caps of an ON are fixed when it begins."""

from __future__ import annotations

from carerules.domain.decision import Intent
from carerules.domain.moment import HOUR, MINUTE, SECOND
from carerules.domain.pack import Side
from carerules.safety import Dwell, Run, runs, saw, went_off, went_on

INTENT = Intent("job", "rule", "heron", "bench", Side.LOAD, 50.0, "kit", HOUR, 50.0)


def test_a_planned_off_is_a_pause_of_a_minute() -> None:
    assert went_off(Dwell(), 1_000, "done", planned=True, run=None) == Dwell(1_000 + MINUTE, "done")


def test_an_off_that_nobody_planned_locks_out_for_five() -> None:
    assert went_off(Dwell(), 1_000, "too hot", planned=False, run=None) == Dwell(
        1_000 + 5 * MINUTE, "too hot"
    )


def test_a_later_off_never_shortens_it() -> None:
    locked_out = went_off(Dwell(), 0, "too hot", planned=False, run=None)
    assert went_off(locked_out, SECOND, "done", planned=True, run=None).until == locked_out.until
    assert went_off(locked_out, 10 * MINUTE, "done", planned=True, run=None).until == 11 * MINUTE


def test_an_off_forgets_what_held_when_it_began() -> None:
    begun = went_on(Dwell(), INTENT, 80.0, 1e6)
    after = went_off(begun, 0, "done", planned=True, run=None)
    assert (after.soc_at_on, after.rested_at_on, after.energy_wh_max) == (None, None, 0.0)
    assert after.time_max == 4 * HOUR


def test_an_on_fixes_its_caps() -> None:
    before = Dwell(7, "why")
    assert went_on(before, INTENT, 80.0, 9e5) == Dwell(
        7, "why", HOUR, 50.0, 80.0, 9e5, pack="heron"
    )
    assert Dwell().energy_wh_max == 0.0  # what has no cap yet may move nothing


def test_what_had_flowed_when_the_lowest_cell_was_first_seen_so() -> None:
    begun = saw(went_on(Dwell(), INTENT, 80.0, 9e5), 3.9, 0.0)
    assert (begun.lowest_v, begun.lowest_wh) == (3.9, 0.0)
    assert saw(begun, 3.9, 4.0) == begun
    moved = saw(begun, 3.899, 5.0)
    assert (moved.lowest_v, moved.lowest_wh) == (3.899, 5.0)
    assert saw(moved, None, 6.0).lowest_v is None
    assert went_off(moved, 0, "done", planned=True, run=None).lowest_v is None
    assert went_on(moved, INTENT, 80.0, 9e5).lowest_v is None


def ran(*ended: int) -> Dwell:
    """A station with a run of an hour that ended at each of these."""
    dwell = Dwell()
    for at in ended:
        run = Run(at, "heron", HOUR, 50.0)
        dwell = went_off(dwell, at, "done", planned=True, run=run)
    return dwell


def test_the_runs_of_a_day_are_kept_and_those_before_it_are_not() -> None:
    dwell = ran(10 * HOUR, 20 * HOUR)
    assert [run.ended for run in runs(dwell, 20 * HOUR)] == [10 * HOUR, 20 * HOUR]
    assert len(runs(dwell, 34 * HOUR - 1)) == 2
    assert [run.ended for run in runs(dwell, 34 * HOUR)] == [20 * HOUR], "a day after its end"
    assert runs(dwell, 60 * HOUR) == ()


def test_an_off_forgets_what_is_a_day_old_and_nothing_younger() -> None:
    """A pause of a minute lies between two runs: so many go into a day, and no more are kept."""
    dwell = ran(HOUR, 10 * HOUR)
    assert went_off(dwell, 25 * HOUR, "done", planned=True, run=None).day == dwell.day[1:]
    assert went_off(dwell, 25 * HOUR - 1, "done", planned=True, run=None).day == dwell.day
    assert len(ran(*range(0, 72 * HOUR, MINUTE)).day) == 24 * 60


def test_what_ran_is_kept_over_an_on() -> None:
    dwell = ran(HOUR, 10 * HOUR)
    assert went_on(dwell, INTENT, 80.0, 1e6).day == dwell.day

"""How long a station stays off, and that the caps of an ON are fixed when it begins."""

from __future__ import annotations

from carerules.domain.moment import HOUR, MINUTE, SECOND
from carerules.safety import Dwell, on_in_a_day, saw, went_off, went_on


def test_a_planned_off_is_a_pause_of_a_minute() -> None:
    assert went_off(Dwell(), 1_000, "done", planned=True) == Dwell(1_000 + MINUTE, "done")


def test_an_off_that_nobody_planned_locks_out_for_five() -> None:
    assert went_off(Dwell(), 1_000, "too hot", planned=False) == Dwell(
        1_000 + 5 * MINUTE, "too hot"
    )


def test_a_later_off_never_shortens_it() -> None:
    locked_out = went_off(Dwell(), 0, "too hot", planned=False)
    assert went_off(locked_out, SECOND, "done", planned=True).until == locked_out.until
    assert went_off(locked_out, 10 * MINUTE, "done", planned=True).until == 11 * MINUTE


def test_an_off_forgets_what_held_when_it_began() -> None:
    begun = went_on(Dwell(), HOUR, 50.0, 80.0, 1e6)
    after = went_off(begun, 0, "done", planned=True)
    assert (after.soc_at_on, after.rested_at_on, after.energy_wh_max) == (None, None, 0.0)
    assert after.time_max == 4 * HOUR


def test_an_on_fixes_its_caps() -> None:
    before = Dwell(7, "why")
    assert went_on(before, HOUR, 50.0, 80.0, 9e5) == Dwell(7, "why", HOUR, 50.0, 80.0, 9e5)
    assert Dwell().energy_wh_max == 0.0  # what has no cap yet may move nothing


def test_what_had_flowed_when_the_lowest_cell_was_first_seen_so() -> None:
    begun = saw(went_on(Dwell(), HOUR, 50.0, 80.0, 9e5), 3.9, 0.0)
    assert (begun.lowest_v, begun.lowest_wh) == (3.9, 0.0)
    assert saw(begun, 3.9, 4.0) == begun
    moved = saw(begun, 3.899, 5.0)
    assert (moved.lowest_v, moved.lowest_wh) == (3.899, 5.0)
    assert saw(moved, None, 6.0).lowest_v is None
    assert went_off(moved, 0, "done", planned=True).lowest_v is None
    assert went_on(moved, HOUR, 50.0, 80.0, 9e5).lowest_v is None


def ran(*runs: tuple[int, int]) -> Dwell:
    """A station with runs: when each ended, and how long it was (h)."""
    dwell = Dwell()
    for end_h, hours in runs:
        dwell = went_off(dwell, end_h * HOUR, "done", planned=True, ran=hours * HOUR)
    return dwell


def test_all_runs_of_a_day_add_up_and_those_before_it_do_not() -> None:
    dwell = ran((1, 1), (10, 3), (10, 1), (20, 4))
    assert on_in_a_day(dwell, 20 * HOUR) == 9 * HOUR
    assert on_in_a_day(dwell, 26 * HOUR - 1) == 9 * HOUR, "a day after the hour of its end"
    assert on_in_a_day(dwell, 26 * HOUR) == 8 * HOUR
    assert on_in_a_day(dwell, 60 * HOUR) == 0


def test_what_ran_is_kept_over_an_on_and_bounded_in_number() -> None:
    dwell = went_on(ran((1, 1), (10, 3)), HOUR, 50.0, 80.0, 1e6)
    assert on_in_a_day(dwell, 11 * HOUR) == 4 * HOUR
    many = ran(*((hour, 1) for hour in range(200)))
    assert len(many.day) == 25
    assert on_in_a_day(many, 199 * HOUR) == 25 * HOUR

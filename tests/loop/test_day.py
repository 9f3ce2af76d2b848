"""A rule that fires again and again: each firing has its own budget, all of a day have one more."""

from __future__ import annotations

from kit import BEGIN, HOUR, MINUTE, SECOND, Stage, make_site, sample, stage_of

from carerules.domain.decision import SwitchOn, Veto
from carerules.domain.event import Event, Placed, Started
from carerules.safety import on_in_a_day
from carerules.service import dump_world, load_world

AGAIN = "rule hourly\n    when pack.soc >= 60 %:\n        switch load on for 1 h\n"


def again_and_again(hours: int) -> Stage:
    """Each hour and a little the reading, which never comes down, makes the rule fire anew."""
    stage = stage_of(AGAIN, make_site(stations=("bench",)))
    stage.hear(Placed(BEGIN + 1, "heron", "bench"))
    cell, high = [4.08], [90.0]

    def feed(at: int) -> Event:
        cell[0] = 4.08 if cell[0] != 4.08 else 4.07  # so that it does not stand still
        return sample(at, soc=high[0], cell=cell[0], temperature=21.0)

    stage.feeds["heron"] = feed
    stage.feed_each = 30 * SECOND
    while stage.now < BEGIN + hours * HOUR:
        stage.until(stage.now + 62 * MINUTE)
        high[0] = 20.0
        stage.until(stage.now + MINUTE)
        high[0] = 90.0
    return stage


def test_all_runs_of_a_day_end_at_sixteen_hours() -> None:
    stage = again_and_again(23)
    runs = [one for one in stage.all(SwitchOn) if not one.renewal]
    assert 12 < len(runs) < 20
    spent = on_in_a_day(stage.world.stations["bench"].dwell, stage.now)
    assert 15.9 * HOUR < spent <= 16 * HOUR + MINUTE
    vetoes = [one for one in stage.all(Veto) if one.interlock == "day"]
    assert vetoes
    assert vetoes[0].wanted == "at most 16 h in 24 h"
    assert stage.world.plugs["bench-load"].proven_off


def test_a_restart_keeps_what_ran_and_counts_an_on_to_the_end_of_its_timer_only() -> None:
    stage = again_and_again(3)
    stage.until(stage.now + 10 * MINUTE)
    plug = stage.world.plugs["bench-load"]
    assert plug.on_at is not None
    before = on_in_a_day(stage.world.stations["bench"].dwell, stage.now)
    kept = load_world(dump_world(stage.world), stage.world.setup)
    assert kept is not None
    again = Stage(kept, stage.now + 5 * HOUR)
    again.hear(Started(stage.now + 5 * HOUR))
    ran = on_in_a_day(again.world.stations["bench"].dwell, again.now) - before
    assert ran == plug.said_on_at + 90 * SECOND - plug.on_at

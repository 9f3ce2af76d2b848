"""A rule that fires again and again: each firing has its own budget, all of a day have one more."""

from __future__ import annotations

from dataclasses import replace

import pytest
from kit import BEGIN, HOUR, MINUTE, SECOND, Stage, make_site, sample, stage_of

from carerules.domain.decision import Outcome, SwitchOn, Veto
from carerules.domain.event import Event, Placed, Started
from carerules.loop import learn, new_world, step
from carerules.safety import runs
from carerules.service import dump_world, load_world, worth_keeping

AGAIN = "rule hourly\n    when pack.soc >= 60 %:\n        switch load on for 1 h\n"


def again_and_again(hours: int, capacity_ah: float = 16.0) -> Stage:
    """Each hour and a little the reading, which never comes down, makes the rule fire anew."""
    site = make_site(stations=("bench",))
    heron = replace(site.packs["heron"], capacity_ah=capacity_ah)
    stage = stage_of(AGAIN, replace(site, packs={"heron": heron}))
    stage.hear(Placed(BEGIN + 1, "heron", "bench"))
    cell, high = [4.08], [90.0]

    def feed(at: int) -> Event:
        # So that it does not stand still, and tells of the load.
        resting = stage.world.plugs["bench-load"].on_at is None
        cell[0] = 4.08 if resting else 4.05 if cell[0] != 4.05 else 4.04
        return sample(at, soc=high[0], cell=cell[0], temperature=21.0)

    stage.feeds["heron"] = feed
    stage.feed_each = 30 * SECOND
    while stage.now < BEGIN + hours * HOUR:
        stage.until(stage.now + 62 * MINUTE)
        high[0] = 20.0
        stage.until(stage.now + MINUTE)
        high[0] = 90.0
    return stage


def spent(stage: Stage) -> int:
    """How long the bench was on in the last 24 h."""
    return sum(run.ran for run in runs(stage.world.stations["bench"].dwell, stage.now))


def test_all_runs_of_a_day_end_at_sixteen_hours() -> None:
    stage = again_and_again(23)
    runs = [one for one in stage.all(SwitchOn) if not one.renewal]
    assert 12 < len(runs) < 20
    assert 15.9 * HOUR < spent(stage) <= 16 * HOUR + MINUTE
    vetoes = [one for one in stage.all(Veto) if one.interlock == "day"]
    assert vetoes
    assert vetoes[0].wanted == "at most 16 h in 24 h"
    assert stage.world.plugs["bench-load"].proven_off


def test_all_energy_of_a_day_ends_at_four_times_what_the_pack_holds() -> None:
    """60 W into a pack that holds at most 6 x 4.22 V x 4 Ah, 101 Wh: 405 Wh are moved in 6.75 h. A
    figure of our own, no source; a reading that never comes down is of a pack hung elsewhere."""
    stage = again_and_again(14, capacity_ah=4.0)
    moved_wh = sum(run.moved_wh for run in runs(stage.world.stations["bench"].dwell, stage.now))
    full_wh = 6 * stage.world.setup.site.packs["heron"].limits.cell_v_ceiling * 4.0
    assert 4 * full_wh <= moved_wh < 4 * full_wh + 1.5
    vetoes = [one for one in stage.all(Veto) if one.interlock == "day"]
    assert vetoes
    assert vetoes[0].wanted == "at most 4 times the 101 Wh that it holds, in 24 h"
    assert stage.world.plugs["bench-load"].proven_off


def kept(stage: Stage) -> list[tuple[Event, list[Outcome]]]:
    """What the journal has of it."""
    return [(event, [one for one in outs if worth_keeping(one)]) for event, outs in stage.log]


def test_a_start_without_a_snapshot_knows_the_runs_of_the_day_from_the_facts() -> None:
    """As after an update that has snapshots of another shape: SAFETY 9 holds over it."""
    stage = again_and_again(5)
    stage.until(stage.now + 10 * MINUTE)
    world = new_world(stage.world.setup, BEGIN)
    for event, outcomes in kept(stage):
        world = learn(world, event, outcomes)
    was, learned = (one.stations["bench"].dwell for one in (stage.world, world))
    assert len(was.day) >= 4
    assert [(run.ended, run.pack, run.ran) for run in learned.day] == [
        (run.ended, run.pack, run.ran) for run in was.day
    ]
    assert [run.moved_wh for run in learned.day] == pytest.approx([run.moved_wh for run in was.day])
    # The run that it was in counts to the end of the plug's timer, since it last said it was on.
    plug = stage.world.plugs["bench-load"]
    assert plug.on_at is not None
    later, _ = step(world, Started(stage.now + 5 * HOUR))
    last = later.stations["bench"].dwell.day[-1]
    assert last.ran == plug.on_heard + 90 * SECOND - plug.on_at
    assert last.moved_wh == pytest.approx(plug.energy_wh)


def test_a_snapshot_of_another_shape_is_not_read() -> None:
    stage = again_and_again(2)
    text = dump_world(stage.world)
    assert load_world(text, stage.world.setup) is not None
    assert load_world(text.replace('"shape","', '"shape","0'), stage.world.setup) is None


def test_a_restart_keeps_what_ran_and_counts_an_on_to_the_end_of_its_timer_only() -> None:
    stage = again_and_again(3)
    stage.until(stage.now + 10 * MINUTE)
    plug = stage.world.plugs["bench-load"]
    assert plug.on_at is not None
    before = spent(stage)
    world = load_world(dump_world(stage.world), stage.world.setup)
    assert world is not None
    again = Stage(world, stage.now + 5 * HOUR)
    again.hear(Started(stage.now + 5 * HOUR))
    ran = spent(again) - before
    assert ran == plug.said_at + 90 * SECOND - plug.on_at

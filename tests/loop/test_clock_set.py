"""A wall clock that is stepped, and a machine that slept: OFF first, then the rules, as at a start.

Durations run on a line that no wall clock moves; windows of the day do not, so that what a step put
into or out of a window must qualify anew (SAFETY 5: a clock anomaly begins with OFF).
"""

from __future__ import annotations

import pytest
from kit import BEGIN, HOUR, MINUTE, SECOND, Stage, make_site, sample, stage_of

from carerules.domain.decision import Fired, JobEnded, SwitchOff, SwitchOn
from carerules.domain.event import ClockSet, Placed

DRAIN = "rule keep\n    when pack.soc >= 60 %: drain to 50 %"


def draining() -> Stage:
    """Heron drains on the bench."""
    stage = stage_of(DRAIN, make_site(stations=("bench",)))
    stage.hear(Placed(BEGIN + 1, "heron", "bench"))
    stage.feeds["heron"] = lambda at: sample(at, soc=90.0, cell=4.08, temperature=21.0)
    stage.until(BEGIN + 2 * MINUTE)
    assert stage.world.plugs["bench-load"].on_at is not None
    return stage


@pytest.mark.parametrize("offset", [HOUR, -HOUR, 3 * SECOND])
def test_a_step_of_the_wall_clock_alone_begins_with_off(offset: int) -> None:
    stage = draining()
    out = stage.hear(ClockSet(stage.now, offset, 0))
    assert "bench-load" in {one.plug for one in out if isinstance(one, SwitchOff)}
    stage.log.clear()
    stage.until(stage.now + 5 * MINUTE)
    assert [one.plug for one in stage.all(SwitchOn) if not one.renewal] == ["bench-load"]
    assert stage.all(JobEnded) == [], "the same job, qualified again"


def test_a_step_neither_lengthens_nor_shortens_what_a_load_may_run() -> None:
    straight, stepped = draining(), draining()
    for at in range(10):
        stepped.hear(ClockSet(stepped.now, (-1) ** at * HOUR, 0))
    for stage in (straight, stepped):
        stage.until(BEGIN + 6 * MINUTE)
    (before,), (after,) = straight.jobs, stepped.jobs
    assert after.budget_wh == before.budget_wh
    assert after.fired_at == before.fired_at
    assert stepped.now == straight.now


@pytest.mark.parametrize(("offset", "asleep"), [(0, 2 * HOUR), (3 * HOUR, 0), (3 * HOUR, 2 * HOUR)])
def test_what_came_due_meanwhile_fires_once_everything_is_off(offset: int, asleep: int) -> None:
    rule = 'rule full\n    when pack.soc >= 95 % for 1 h: notify "full"'
    stage = stage_of(rule, make_site(stations=("bench",)))
    stage.until(BEGIN + MINUTE)
    stage.hear(sample(BEGIN + MINUTE, soc=96.0))
    stage.until(BEGIN + 30 * MINUTE)
    at = BEGIN + 30 * MINUTE + (asleep or 2 * HOUR)  # nobody ticked meanwhile
    stage.hear(ClockSet(at, offset, asleep))
    assert stage.fired() == [], "no rule runs before everything is off"
    stage.until(at + MINUTE)
    fired = [event.heard for event, outs in stage.log for one in outs if isinstance(one, Fired)]
    assert len(fired) == 1
    assert at < fired[0] <= at + 10 * SECOND

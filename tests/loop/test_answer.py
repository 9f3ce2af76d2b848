"""The pack that is watched must be the one that is drained: else the load goes off, and it is told.

From the project's list of faults: telemetry that stands still (33), another pack than was said
(40, 41), a lead that has come off (42).
"""

from __future__ import annotations

from collections.abc import Callable

from kit import BEGIN, MINUTE, SECOND, Stage, make_site, sample, stage_of

from carerules.domain.decision import Ending, JobEnded, Notice
from carerules.domain.event import Event, Placed
from carerules.domain.moment import Moment

RULE = "when pack.soc > 50 %: drain to 20 %"


def drained(feed: Callable[[Moment], Event], until: int) -> Stage:
    stage = stage_of(RULE, make_site(stations=("bench",)))
    stage.hear(Placed(BEGIN + 1, "heron", "bench"))
    stage.feeds["heron"] = feed
    stage.until(BEGIN + until)
    return stage


def follows(at: Moment, cell: float) -> Event:
    """At rest and told to be at 80 %, then with the current of the load."""
    if at < BEGIN + 15 * SECOND:
        return sample(at, "heron", soc=80, cell=cell, temperature=21, current=0.0)
    return sample(at, "heron", cell=cell, temperature=21, current=-2.5)


def told(stage: Stage) -> list[str]:
    return [one.text for one in stage.all(Notice) if one.urgent]


def test_a_pack_that_gives_no_current_is_not_the_one_on_the_load() -> None:
    def idle(at: Moment) -> Event:
        volts = 4.0 - 1e-9 * (at - BEGIN)
        return sample(at, "heron", soc=80, cell=volts, temperature=21, current=0.0)

    stage = drained(idle, 2 * MINUTE)
    (ended,) = stage.all(JobEnded)
    assert ended.ending is Ending.FAILED
    assert told(stage) == [
        "heron: drain to 20 % ended: 60 W flow out, and heron tells of 0 W; "
        "wanted a pack that answers to what flows"
    ]
    (at,) = [show for show, one in stage.timed(JobEnded)]
    assert at == "30s200ms"
    assert stage.world.plugs["bench-load"].proven_off


def test_a_voltage_that_stands_still_ends_a_drain_after_a_twentieth() -> None:
    """16 Ah at 24 V are 384 Wh: a twentieth is 19.2 Wh, which 60 W move in 19.2 min."""

    def frozen(at: Moment) -> Event:
        return follows(at, 4.0)

    stage = drained(frozen, 40 * MINUTE)
    (ended,) = stage.all(JobEnded)
    assert "stands still" in ended.why
    assert 19 <= ended.energy_wh <= 20.5
    assert stage.world.plugs["bench-load"].proven_off
    assert len(told(stage)) == 1


def test_a_pack_that_follows_is_drained_in_peace() -> None:
    def sound(at: Moment) -> Event:
        return follows(at, round(4.0 - 2e-8 * (at - BEGIN), 3))

    stage = drained(sound, 60 * MINUTE)
    assert not stage.all(JobEnded)
    assert stage.world.plugs["bench-load"].on_at is not None

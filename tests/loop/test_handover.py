"""One ON belongs to one job and one pack: whoever comes next starts from a proved off."""

from __future__ import annotations

from collections.abc import Callable

from kit import BEGIN, MINUTE, make_site, sample, stage_of

from carerules.domain.decision import Ending, JobEnded, SwitchOff, SwitchOn
from carerules.domain.event import Event, Placed
from carerules.domain.moment import Moment

OVER = """
rule deep
    when pack.soc > 50 %: drain to 10 %
rule half over deep
    when pack.soc > 70 % for 5 min: drain to 60 %
"""


def feed(pack: str, soc: float, cell: float) -> Callable[[Moment], Event]:
    return lambda at: sample(at, pack, soc=soc, cell=cell, temperature=21)


def test_a_rule_that_goes_before_takes_over_through_off() -> None:
    stage = stage_of(OVER, make_site(stations=("bench",)))
    stage.hear(Placed(BEGIN + 1, "heron", "bench"))
    stage.feeds["heron"] = feed("heron", 90, 4.08)
    stage.until(BEGIN + 8 * MINUTE)
    switched = [
        (type(one).__name__, one.job if isinstance(one, SwitchOn) else one.because)
        for one in stage.all(SwitchOn, SwitchOff)
        if one.plug == "bench-load" and not (isinstance(one, SwitchOn) and one.renewal)
    ]
    assert switched == [
        ("SwitchOff", "at the start"),
        ("SwitchOn", "heron-1"),
        ("SwitchOff", "plug bench-load is on for another job"),
        ("SwitchOn", "heron-2"),
    ]
    first, second = (stage.world.packs["heron"].jobs[place] for place in (0, 1))
    assert (first.rounds, second.rounds) == (1, 1)
    assert second.started
    assert first.energy_wh > 4  # the five minutes at 60 W are its own
    assert stage.world.plugs["bench-load"].job == "heron-2"
    assert not [one for one in stage.all(JobEnded) if one.ending is Ending.NOT_NEEDED]


def test_a_pack_put_in_place_of_another_is_qualified_anew() -> None:
    """The load does not stay on under the pack that came, with the caps of the one that left."""
    site = make_site(("heron", "egret"), stations=("bench",))
    stage = stage_of("when pack.soc > 50 %: drain to 40 %", site)
    stage.hear(Placed(BEGIN + 1, "heron", "bench"))
    stage.feeds["heron"] = feed("heron", 60, 3.86)
    stage.feeds["egret"] = feed("egret", 90, 4.08)
    stage.until(BEGIN + 2 * MINUTE)
    begun = stage.world.stations["bench"].dwell
    assert stage.world.plugs["bench-load"].job == "heron-1"
    stage.hear(Placed(stage.now, "egret", "bench"))
    assert stage.world.plugs["bench-load"].on_at is None
    stage.until(stage.now + 2 * MINUTE)
    assert stage.world.plugs["bench-load"].job == "egret-2"
    after = stage.world.stations["bench"].dwell
    assert begun.soc_at_on is not None
    assert after.soc_at_on is not None
    assert after.soc_at_on > begun.soc_at_on + 20
    assert after.energy_wh_max > begun.energy_wh_max

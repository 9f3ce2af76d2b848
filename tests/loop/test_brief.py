"""A contact does not close for a moment only."""

from __future__ import annotations

import pytest
from kit import BEGIN, MINUTE, SECOND, make_site, sample, stage_of

from carerules.domain.decision import SwitchOff, SwitchOn
from carerules.domain.event import Attended, Placed

RULE = "when pack.soc > 50 %: drain to 20 %"


@pytest.mark.parametrize(("stays_s", "goes_on"), [(3, False), (4.9, False), (5, True), (30, True)])
def test_nothing_goes_on_for_somebody_who_is_about_to_leave(stays_s: float, goes_on: bool) -> None:
    stage = stage_of(RULE, make_site(stations=("bench",), lease_s=None))
    stage.hear(Placed(BEGIN + 1, "heron", "bench"))
    stage.feeds["heron"] = lambda at: sample(at, "heron", soc=80, cell=4.0, temperature=21)
    stage.until(BEGIN + MINUTE)
    stage.hear(Attended(stage.now, stage.now + round(stays_s * SECOND)))
    stage.until(stage.now + 2 * MINUTE)
    assert bool(stage.all(SwitchOn)) is goes_on
    assert stage.world.plugs["bench-load"].proven_off


def test_nothing_goes_on_for_a_reading_that_is_about_to_be_too_old() -> None:
    """Its temperature is 58 s old when its charge is said: the next one comes 10 s later."""
    stage = stage_of(RULE, make_site(stations=("bench",)))
    stage.hear(Placed(BEGIN + 1, "heron", "bench"))
    stage.until(BEGIN + SECOND)
    stage.hear(sample(stage.now, "heron", temperature=21))
    stage.until(BEGIN + 59 * SECOND)
    stage.hear(sample(stage.now, "heron", soc=80, cell=4.0))
    stage.until(BEGIN + 69 * SECOND)
    assert not stage.all(SwitchOn)
    stage.hear(sample(stage.now, "heron", soc=80, cell=4.0, temperature=21))
    stage.until(stage.now + 30 * SECOND)
    assert len(stage.all(SwitchOn)) >= 1
    assert all(one.because == "at the start" for one in stage.all(SwitchOff))

"""A plug that is on though nobody here asked: brought off, told, and locked when it comes again."""

from __future__ import annotations

from kit import BEGIN, MINUTE, SECOND, Stage, make_site, stage_of

from carerules.domain.decision import Notice, StationLocked, SwitchOff
from carerules.domain.event import PlugReport, Released
from carerules.domain.moment import Moment


def begun() -> Stage:
    stage = stage_of('when pack.soc < 5 %: notify "low"', make_site(stations=("bench",)))
    stage.until(BEGIN + 10 * SECOND)
    return stage


def found_on(stage: Stage, at: Moment, *, on: bool = True, power_w: float = 60.0) -> None:
    stage.until(at - 1)
    stage.on["bench-load"] = at + MINUTE if on else None
    stage.hear(PlugReport(at, "bench-load", on, power_w, 50.0))


def urgent(stage: Stage) -> list[str]:
    return [one.key for one in stage.all(Notice) if one.urgent]


def test_once_is_brought_off_and_told() -> None:
    stage = begun()
    found_on(stage, BEGIN + MINUTE)
    (off,) = stage.log[-1][1][-1:]
    assert isinstance(off, SwitchOff)
    stage.until(BEGIN + 2 * MINUTE)
    assert urgent(stage) == ["on bench-load"]
    assert stage.world.plugs["bench-load"].proven_off
    assert not stage.all(StationLocked)


def test_again_within_five_minutes_locks_the_station() -> None:
    stage = begun()
    found_on(stage, BEGIN + MINUTE)
    found_on(stage, BEGIN + 2 * MINUTE)
    assert [one.station for one in stage.all(StationLocked)] == ["bench"]
    stage.until(BEGIN + 10 * MINUTE)
    assert stage.world.stations["bench"].locked  # a person has to look; it does not pass by itself
    stage.hear(Released(stage.now, "bench"))
    assert not stage.world.stations["bench"].locked


def test_long_after_is_another_accident() -> None:
    stage = begun()
    found_on(stage, BEGIN + MINUTE)
    found_on(stage, BEGIN + 10 * MINUTE)
    assert urgent(stage) == ["on bench-load"] * 2
    assert not stage.all(StationLocked)


def test_power_through_a_plug_that_says_off_is_not_off() -> None:
    """Power goes on although the relay says off: sought off again, alarmed at 30 s, locked."""
    stage = begun()
    stage.obey = False
    found_on(stage, BEGIN + MINUTE, on=False)
    assert isinstance(stage.log[-1][1][-1], SwitchOff)
    for second in range(5, 40, 5):
        at = BEGIN + MINUTE + second * SECOND
        stage.until(at - 1)
        stage.hear(PlugReport(at, "bench-load", False, 60.0, None))
    assert urgent(stage) == ["on bench-load", "off bench-load"]
    (locked,) = stage.all(StationLocked)
    assert locked.why == "plug bench-load is not proved off: 60 W still flow"

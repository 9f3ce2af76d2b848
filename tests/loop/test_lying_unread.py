"""A pack that lies for months unread: all that asks for its charge sees the doubt as it grows.

It is the reading that says so, as it says how the charge falls: nothing has to be heard, no look
has to be made, and so nothing stands in a journal.
"""

from __future__ import annotations

from math import hypot

import pytest
from kit import BEGIN, CHEMISTRIES, DAY, HOUR, Stage, make_site, sample, stage_of

from carerules.battery import HIDDEN_POINTS, volts_at_charge
from carerules.domain.event import Happened, Tick
from carerules.domain.moment import MONTH, NEVER, Moment
from carerules.domain.quantity import Known
from carerules.engine import explain, forbids, reasons
from carerules.loop import facts_of, next_due
from carerules.loop.unseen import volts_by_charge
from carerules.loop.view import figures_of
from carerules.report.pack import charge_of
from carerules.report.tally import Tally, tally_lines
from carerules.report.timeline import Timeline
from carerules.service import dump_world, load_world

LOOKS_BACK = "never drain when pack.soc < 60 % for 1 h"
AT_ONCE = "never drain when pack.soc < 60 %"


def read_at_80(rules: str) -> Stage:
    stage = stage_of(rules)
    stage.hear(sample(BEGIN, soc=80.0))
    return stage


def soc_of(stage: Stage) -> Known:
    soc = stage.world.packs["heron"].soc
    assert isinstance(soc, Known)
    return soc


def forbidden(stage: Stage, at: Moment) -> bool:
    bound, state = stage.world.setup.bound["heron"], stage.world.packs["heron"]
    return bool(forbids(bound, "drain", state.nevers, facts_of(stage.world, "heron"), at, {})[0])


def doubtful_from(soc: Known, level: float) -> Moment:
    """The first millisecond at which the charge, less two spreads, may lie below a level."""
    low, high = soc.at, soc.at + 60 * MONTH
    while high - low > 1:
        middle = (low + high) // 2
        certain = soc.value_at(middle) - 2 * soc.spread_at(middle) >= level
        low, high = (middle, high) if certain else (low, middle)
    return high


def test_status_sees_it_though_nothing_is_heard() -> None:
    stage = stage_of("")
    stage.hear(Happened(BEGIN, BEGIN, "heron", "full", "a person"))
    told = stage.world.packs["heron"]
    stage.hear(Tick(BEGIN + 6 * MONTH))
    charge = charge_of(stage.world, "heron")
    assert charge.soc_percent == pytest.approx(88)
    assert charge.spread_percent == pytest.approx(hypot(2, 12), abs=1e-4)
    assert charge.since == stage.world.local.read(BEGIN)
    assert stage.world.packs["heron"] is told
    assert next_due(stage.world) == NEVER, "a pack that lies asks for no look"


@pytest.mark.parametrize("rules", [LOOKS_BACK, AT_ONCE])
@pytest.mark.parametrize("ticks", [0, 7 * HOUR, 9 * DAY])
def test_an_interlock_forbids_from_the_moment_on_at_which_it_cannot_be_ruled_out(
    rules: str, ticks: int
) -> None:
    """However often anybody looks. By its likely value the pack would come there months later."""
    stage = read_at_80(rules)
    edge = doubtful_from(soc_of(stage), 60.0)
    assert soc_of(stage).value_at(edge) > 70
    for at in range(BEGIN, edge - 1, ticks) if ticks else ():
        stage.hear(Tick(at))
    stage.until(edge - 1)
    assert not forbidden(stage, stage.now)
    stage.until(edge)
    assert forbidden(stage, stage.now)
    stage.until(edge + 3 * DAY)
    assert forbidden(stage, stage.now)


def test_a_reading_permits_it_again() -> None:
    stage = read_at_80(LOOKS_BACK)
    stage.until(doubtful_from(soc_of(stage), 60.0) + DAY)
    assert forbidden(stage, stage.now)
    stage.hear(sample(stage.now, soc=78.0))
    assert not forbidden(stage, stage.now + 2 * HOUR)


def test_ticks_change_nothing() -> None:
    seldom, often = read_at_80(LOOKS_BACK), read_at_80(LOOKS_BACK)
    end = doubtful_from(soc_of(seldom), 60.0) + DAY
    for at in range(BEGIN, end, 5 * HOUR):
        often.hear(Tick(at))
    for stage in (seldom, often):
        stage.until(end)
        stage.hear(sample(end, soc=76.0))
    assert dump_world(seldom.world) == dump_world(often.world)


def test_it_is_not_looked_at_all_the_time() -> None:
    stage = read_at_80(LOOKS_BACK)
    edge, looks = doubtful_from(soc_of(stage), 60.0), 0
    while (due := next_due(stage.world)) <= edge:
        stage.hear(Tick(due))
        looks += 1
    assert 1 <= looks <= 100


def test_a_restart_keeps_how_it_grows() -> None:
    stage = read_at_80(LOOKS_BACK)
    again = load_world(dump_world(stage.world), stage.world.setup)
    assert again is not None
    soc = again.packs["heron"].soc
    assert soc == soc_of(stage)
    assert isinstance(soc, Known)
    assert soc.spread_at(BEGIN + MONTH) > soc.spread + 0.3


def test_a_blind_drain_is_bounded_by_it() -> None:
    stage = stage_of("", make_site(stations=("bench",), blind=True))
    stage.hear(sample(BEGIN, soc=80.0))
    station, soc = stage.world.setup.site.stations["bench"], soc_of(stage)
    for months in (0, 3, 6):
        stage.hear(Tick(now := BEGIN + months * MONTH))
        cell = volts_by_charge(stage.world, "heron", station)["pack.cell.min"]
        assert isinstance(cell, Known)
        doubt = hypot(soc.spread_at(now), HIDDEN_POINTS)
        _, wanted = volts_at_charge(CHEMISTRIES["lipo"], soc.value_at(now), doubt)
        assert cell.spread == pytest.approx(wanted)


def test_forecasts_and_explanations_have_it() -> None:
    stage = read_at_80('when pack.soc < 90 % for 200 d: notify "low"')
    stage.hear(Tick(now := BEGIN + 6 * MONTH))
    figures = figures_of(stage.world, "heron")
    assert figures is not None
    assert 100 * figures.start_spread == pytest.approx(hypot(5, 12))
    (rule,) = stage.world.setup.bound["heron"].rules
    (state,) = stage.world.packs["heron"].rules
    told = reasons(explain(rule.when, state.memory, facts_of(stage.world, "heron"), now))
    assert "pack.soc 68 % ± 13 %" in told


def test_the_tally_and_the_drawn_course_have_it() -> None:
    stage = read_at_80("")
    tally, course = Tally(), Timeline("heron", BEGIN, BEGIN + 12 * MONTH)
    tally.begin(stage.world)
    for months in range(0, 13, 6):
        stage.hear(Tick(BEGIN + months * MONTH))
        course.note(stage.world, (), ())
    assert any("56 ± 25 %" in line for line in tally_lines(tally, stage.world))
    spreads = [level.spread_percent for level in course.shape(stage.world).levels]
    assert spreads == pytest.approx([5, hypot(5, 12), hypot(5, 24)], abs=1e-4)

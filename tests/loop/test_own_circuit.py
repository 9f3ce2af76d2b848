"""Packs that discharge themselves, and packs that cannot be taken out of their device."""

from __future__ import annotations

from dataclasses import replace

import pytest
from kit import BEGIN, Stage, make_site, show_span, stage_of

from carerules.domain.decision import ChoreOpened, Fired
from carerules.domain.event import Happened, Sample, Tick, Value
from carerules.domain.moment import DAY, HOUR, Moment
from carerules.domain.pack import Site
from carerules.domain.quantity import Known
from carerules.loop import facts_of
from carerules.shipped import shipped

WATCH = 'when pack.soc < 66 %: notify "down"'


def site_with(**said: object) -> Site:
    site = make_site()
    return replace(site, packs={"heron": replace(site.packs["heron"], **said)})  # type: ignore[arg-type]


def lying_full(days: int, rules: str = WATCH) -> Stage:
    stage = stage_of(rules, site_with(discharges_after=days * DAY))
    stage.hear(Happened(BEGIN, BEGIN, "heron", "full", "a person"))
    return stage


def soc(stage: Stage, at: Moment) -> Known:
    stage.until(at)
    said = facts_of(stage.world, "heron").readings["pack.soc"]
    assert isinstance(said, Known)
    return said


def test_it_takes_two_days_from_full_to_65() -> None:
    """Facts of the trade (common practice, no source): about two days from 100 to 65 %."""
    stage = lying_full(5)
    assert soc(stage, BEGIN + 5 * DAY).value_at(BEGIN + 5 * DAY) > 99
    half = soc(stage, BEGIN + 6 * DAY)
    assert half.value_at(BEGIN + 6 * DAY) == pytest.approx(82.5, abs=1)
    end = soc(stage, BEGIN + 7 * DAY)
    assert end.value_at(BEGIN + 7 * DAY) == pytest.approx(65, abs=1)
    assert end.spread > 8  # a third of the 35 points
    later = soc(stage, BEGIN + 20 * DAY)
    assert later.value_at(BEGIN + 20 * DAY) == pytest.approx(64.5, abs=1)


def test_a_rule_sees_it_when_it_happens_and_not_when_somebody_looks() -> None:
    stage = lying_full(5)
    stage.hear(Tick(BEGIN + 30 * DAY))
    (fired,) = stage.all(Fired)
    # 34 of 35 points of two days, after five: 6.94 d, and a little sooner by what the shelf takes
    assert 6.8 * DAY < fired.since - BEGIN < 7.0 * DAY


def test_ticks_change_nothing() -> None:
    seldom, often = lying_full(3), lying_full(3)
    for hour in range(0, 10 * 24, 5):
        often.hear(Tick(BEGIN + hour * HOUR))
    for stage in (seldom, often):
        stage.until(BEGIN + 10 * DAY)
    assert seldom.fired() == often.fired()


def test_a_reading_on_the_way_is_believed() -> None:
    stage = lying_full(5)
    stage.until(BEGIN + 6 * DAY)
    at = BEGIN + 6 * DAY
    stage.hear(Sample(at, at, "heron", (Value("pack.soc", 90.0, 1.0),), "gauge"))
    assert soc(stage, at).value == pytest.approx(90.0)
    after = at + 6 * HOUR
    assert soc(stage, after).value_at(after) < 89


def test_without_a_circuit_nothing_of_this() -> None:
    stage = stage_of(WATCH)
    stage.hear(Happened(BEGIN, BEGIN, "heron", "full", "a person"))
    assert soc(stage, BEGIN + 20 * DAY).value_at(BEGIN + 20 * DAY) > 98
    assert stage.fired() == []


@pytest.mark.parametrize("days", range(1, 11))
def test_the_everyday_rules_act_before_the_circuit(days: int) -> None:
    rules = (shipped("rules") / "lipo.care").read_text(encoding="utf-8")
    stage = lying_full(days, rules.split("scenario ")[0])
    stage.until(BEGIN + days * DAY)
    first = stage.all(Fired)[0]
    assert first.since < BEGIN + days * DAY, show_span(first.since)
    assert first.rule in ("lipo-stored", "lipo-full-too-long")


@pytest.mark.parametrize("days", [1, 2, 10])
def test_the_chore_comes_before_the_circuit_acts(days: int) -> None:
    """Common practice, no source: such packs are set to 1 to 10 days, and are warm meanwhile."""
    rules = (shipped("rules") / "self-discharging.care").read_text(encoding="utf-8")
    site = site_with(discharges_after=days * DAY, tags=frozenset({"self-discharging"}))
    stage = stage_of(rules.split("# ---- scenarios")[0], site)
    stage.hear(Happened(BEGIN, BEGIN, "heron", "full", "a person"))
    stage.until(BEGIN + days * DAY)
    (chore,) = stage.all(ChoreOpened)
    (fired,) = stage.all(Fired)
    assert fired.since < BEGIN + DAY
    for word in ("airy", "out of bags", "out of the sun"):
        assert word in chore.text


@pytest.mark.parametrize("days", [1, 10])
def test_the_shelf_follows_a_circuit_at_either_end_of_its_range(days: int) -> None:
    stage = lying_full(days)
    before = BEGIN + days * DAY - HOUR
    assert soc(stage, before).value_at(before) > 99
    half, end = BEGIN + (days + 1) * DAY, BEGIN + (days + 2) * DAY
    assert soc(stage, half).value_at(half) == pytest.approx(82.5, abs=1)
    assert soc(stage, end).value_at(end) == pytest.approx(65, abs=1)


def test_what_is_built_in_is_drained_by_leaving_it_on() -> None:
    """16 Ah at about 4.05 V a cell and 22.2 V nominal: 20 points are 78.5 Wh, at 3 W 26 h."""
    stage = stage_of("when pack.soc >= 95 %: drain to 80", site_with(device_w=3.0))
    stage.hear(Happened(BEGIN, BEGIN, "heron", "full", "a person"))
    stage.until(BEGIN + HOUR)
    (chore,) = stage.all(ChoreOpened)
    assert chore.text == (
        "leave heron switched on, and read it now and then: drain to 80 % (about 26 h 10 min)"
    )
    later = BEGIN + DAY
    stage.hear(Sample(later, later, "heron", (Value("pack.soc", 79.0, 1.0),), "a person"))
    assert stage.world.chores == {}

"""What `why` says of values that are no plain signals, and of lines that move energy."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from carerules.battery import shipped_chemistries
from carerules.domain.action import Action, Charge, Drain, Notify, Rest, Switch
from carerules.domain.condition import (
    Compare,
    Condition,
    CountIn,
    CountSince,
    NumberOfPacks,
    OverWindow,
    SignalValue,
    TimeSince,
    TimeUntilUse,
    ValueOf,
    dimension_of,
)
from carerules.domain.diagnostic import Span
from carerules.domain.event import Event, Happened, Placed, PlugReport, Sample, Started, Tick, Value
from carerules.domain.moment import DAY, HOUR, MINUTE, SECOND, LocalTime
from carerules.domain.pack import Pack, Plug, Side, Site, Socket, Station
from carerules.domain.plan import Plan, Rule
from carerules.domain.quantity import CHARGE_LEVEL, DURATION, TEMPERATURE, Quantity
from carerules.domain.selector import EVERY_PACK
from carerules.domain.signal import catalogue
from carerules.loop import World, foresee, make_setup, new_world, step
from carerules.report import why_of
from carerules.report.shapes import RuleShape

T0 = 1_790_000_000_000
CHARGE = SignalValue("pack.soc", CHARGE_LEVEL)
RESTED = SignalValue("pack.rested", DURATION)
WARMTH = SignalValue("pack.temperature", TEMPERATURE)
ALWAYS_SOMEDAY = Compare(TimeSince("full"), ">", Quantity(2 * DAY, DURATION))


def world_of(when: Condition, *actions: Action) -> World:
    """Two packs, full at the first minute; heron on a station with a load and no charger."""
    lipo = shipped_chemistries()["lipo"]
    site = Site(
        "shed", LocalTime(ZoneInfo("Europe/Lisbon")),
        {name: Pack(name, "lipo", 6, 16.0, lipo.limits) for name in ("heron", "egret")},
        {"A": Station("A", load=Socket("A-load", 60.0))},
        {"A-load": Plug("A-load", "generic-json")},
    )  # fmt: skip
    rule = Rule("one", EVERY_PACK, when, actions or (Notify(("a",)),), Span("x.care", 1, 1, 1, 2))
    setup = make_setup(site, {"lipo": lipo}, catalogue(), Plan((rule,)))
    at = T0 + MINUTE
    values = (Value("pack.temperature", 21.0, 0.3), Value("pack.current", 0.0, 0.01))
    events: list[Event] = [
        Started(T0), PlugReport(T0 + 200, "A-load", False, 0.0), Placed(T0 + 300, "heron", "A"),
        Happened(at, at, "heron", "full", "a person"),
        Happened(at, at, "egret", "full", "a person"),
        Sample(T0 + HOUR, T0 + HOUR, "heron", values, "bench"),
        Tick(T0 + HOUR + MINUTE),
    ]  # fmt: skip
    world = new_world(setup, T0)
    for event in events:
        world, _ = step(world, event)
    return world


def rule_in(world: World, name: str = "heron") -> RuleShape:
    (rule,) = why_of(world, name).rules
    return rule


def limit(value: ValueOf, number: float) -> Condition:
    return Compare(value, ">", Quantity(number, dimension_of(value)))


# What is compared; part of what is found in words; as a number, in which unit.
SEEN = [
    (CHARGE, "100 %", pytest.approx(99.98, abs=0.05), "%"),
    (RESTED, "1 h", 3_600.0, "s"),
    (WARMTH, "21 °C", 21.0, "°C"),
    (TimeSince("full"), "1 h", 3_600.0, "s"),
    (TimeSince("use"), "it never happened", None, "s"),
    (TimeUntilUse(), "no use is planned", None, "s"),
    (CountIn("full", DAY), "1", 1.0, ""),
    (CountSince("full", "use"), "1", 1.0, ""),
    (OverWindow("max", CHARGE, DAY), "pack.soc is 100 %", None, None),
    (NumberOfPacks(limit(CHARGE, 50)), "2", 2.0, ""),
]


@pytest.mark.parametrize(("value", "found", "number", "unit"), SEEN, ids=lambda v: str(v)[:40])
def test_what_was_compared_is_seen_as_words_and_as_a_number(
    value: ValueOf, found: str, number: float | None, unit: str | None
) -> None:
    (seen,) = rule_in(world_of(limit(value, 1_000_000 * DAY))).when.seen
    assert found in seen.found
    assert (seen.number, seen.unit) == (number, unit)
    assert not seen.stale


# The lines; whether any moves energy; what heron, on a load with no voltage known, would meet.
LINES = [
    ((Notify(("a",)),), False, None),
    ((Rest(MINUTE),), False, None),
    ((Notify(("a",)), Drain(80.0)), True, "its temperature is unknown"),
    ((Charge(90.0),), True, "heron is on no station with a charger"),
    ((Switch(Side.LOAD, 10 * MINUTE),), True, "its temperature is unknown"),
    ((Switch(Side.CHARGER, 10 * MINUTE),), True, "heron is on no station with a charger"),
    ((Switch(Side.LOAD, None),), False, None),
]


@pytest.mark.parametrize(("lines", "moves", "what"), LINES, ids=lambda v: str(v)[:60])
def test_the_first_line_that_moves_energy_meets_its_obstacle(
    lines: tuple[Action, ...], moves: bool, what: str | None
) -> None:
    world = world_of(ALWAYS_SOMEDAY, *lines)
    world, _ = step(world, Tick(world.now + 2 * MINUTE))  # the temperature is older than a minute
    rule = rule_in(world)
    assert rule.moves_energy is moves
    if what is None:
        assert rule.obstacle is None
    else:
        assert rule.obstacle is not None
        assert rule.obstacle.what.startswith(what)


def test_a_retired_pack_s_rules_fire_no_more() -> None:
    world = world_of(ALWAYS_SOMEDAY)
    (key,) = foresee(world, "heron").keys()
    assert foresee(world, "heron")[key] == T0 + MINUTE + 2 * DAY + 1
    state = {**world.packs}
    from dataclasses import replace

    state["heron"] = replace(state["heron"], retired="retired: worn out")
    assert foresee(replace(world, packs=state), "heron") == {}


def test_foresight_ends_at_its_horizon() -> None:
    world = world_of(ALWAYS_SOMEDAY)
    left = T0 + MINUTE + 2 * DAY + 1 - world.now
    assert len(foresee(world, "heron", left)) == 1
    assert foresee(world, "heron", left - SECOND) == {}

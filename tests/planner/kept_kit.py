"""Worlds with a kept plan, and plugs that do as they are told: what its tests share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from shed_kit import NOON, T0, at_level, world_of

from carerules.adapters import ChoreAnswer
from carerules.domain.decision import (
    Outcome,
    SwitchOff,
    SwitchOn,
)
from carerules.domain.event import (
    Event,
    Placed,
    PlanKept,
    PlugReport,
    Started,
    Tick,
)
from carerules.domain.keptplan import Hours
from carerules.domain.moment import SECOND, Moment
from carerules.loop import World, step
from carerules.planner import planned_simply
from carerules.service.desk import entry_events

SLOW = "rule slow\n    when pack.soc >= 95: drain to 80 % at most 80 W\n"
"""Both packs drain at once, and only station A has a load that is weak enough."""


def kept(world: World, until: Moment = NOON, hours: Hours | None = None, by: str = "a person") -> (
    World
):  # fmt: skip
    plan = planned_simply(world, until, hours or Hours(), by)
    world, _ = step(world, PlanKept(world.now, plan))
    assert world.kept == plan
    return world


def two_full(rules: str = SLOW) -> World:
    packs = {"heron": "lipo", "egret": "lipo"}
    return begun(world_of(rules, Placed(T0, "heron", "A"), at_level(100.0),
                          at_level(100.0, "egret"), packs=packs))  # fmt: skip


def plan_chores(world: World) -> dict[str, str]:
    return {key: one.text for key, one in world.chores.items() if key.startswith("plan ")}


def on(world: World, *events: Event) -> tuple[World, list[Outcome]]:
    """Events one after the other; each plug does as it is told, and says so."""
    decided: list[Outcome] = []
    for event in events:
        world, outcomes = step(world, event)
        decided += outcomes
        for one in outcomes:
            if isinstance(one, SwitchOn | SwitchOff):
                world, _ = step(world, said(world, one.plug, is_on=isinstance(one, SwitchOn)))
    return world, decided


def said(world: World, plug: str, *, is_on: bool) -> PlugReport:
    power_w = (180.0 if "charger" in plug else 60.0) if is_on else 0.0
    return PlugReport(world.now, plug, is_on, power_w, 90.0 if is_on else None)


def done(world: World, at: Moment, key: str, text: str) -> Sequence[Event]:
    """A person says so at the command line or on the board."""
    return entry_events(ChoreAnswer(key, text), at, world)


def begun(world: World) -> World:
    """As a service has it seconds after its start: every plug read back off."""
    world, _ = step(world, Started(T0))
    for after in (SECOND, 3 * SECOND):
        for plug in world.plugs:
            world, _ = step(world, replace(said(world, plug, is_on=False), heard=T0 + after))
    return on(world, Tick(T0 + 3 * SECOND))[0]

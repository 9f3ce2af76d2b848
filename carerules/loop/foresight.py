"""What would come next if nothing changed: when each rule would fire, what would stand in its way.

Knows worlds as they are. Does not change one: nothing here is decided, only foreseen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from carerules.domain.action import Action, Charge, Drain, side_of
from carerules.domain.decision import Intent, Veto
from carerules.domain.frozen import guarded
from carerules.domain.moment import DAY, Duration, Moment
from carerules.domain.pack import Side, Station
from carerules.domain.quantity import Known, Reading
from carerules.domain.signal import Catalogue
from carerules.engine import (
    NO_TARGET,
    evaluate,
    no_place,
    ready_to_fire,
    stage_below,
    too_deep,
    unread,
)
from carerules.loop.looking import facts_of
from carerules.loop.steer import judge
from carerules.loop.turn import Turn
from carerules.loop.unseen import unseen
from carerules.loop.world import World

HORIZON: Duration = 30 * DAY
"""Further ahead nobody plans, and shelf loss has moved every charge."""
LOOKS_MAX = 10_000
"""A rule with a daily window is due twice a day, one with the mean over a day 256 times a day: that
one is foreseen for 39 days, the mean over an hour for a day and a half."""


def foresee(world: World, name: str, horizon: Duration = HORIZON) -> Mapping[str, Moment]:
    """When each rule of the pack would next fire, by the rule's key; one that would not is missing.

    If nothing changes: readings that are fresh now stay as they are, kept ones go on along their
    slopes, planned uses come nearer, the clock runs, no job moves anything, and numbers of packs
    stay. Exact under that; less far than the horizon where `LOOKS_MAX` cuts it short.
    """
    state, now = world.packs[name], world.now
    if state.retired:
        return {}
    end = now + horizon
    facts, bound = facts_of(world, name), world.setup.bound
    seen = (facts.readings, facts.station, facts.site)
    pack, station, site = (held(one, world.setup.signals, now, end) for one in seen)
    facts = replace(facts, readings=pack, station=station, site=site)
    firing: dict[str, Moment] = {}
    rules, at = state.rules, now
    for _ in range(LOOKS_MAX):
        rules, due = evaluate(bound[name], rules, facts, at)
        for rule in rules:
            if ready_to_fire(rule):
                firing.setdefault(rule.key, at)
        if due > end:
            break
        at = due
    return firing


def held(
    readings: Mapping[str, Reading], signals: Catalogue, now: Moment, until: Moment
) -> dict[str, Reading]:
    """The readings, each measured one that is fresh now kept so until then."""
    after = dict(readings)
    for name, reading in readings.items():
        max_age = signals[name].max_age if name in signals else None
        if max_age is not None and isinstance(reading, Known) and now - reading.at <= max_age:
            after[name] = replace(reading, at=until)
    return after


@guarded
class Obstacle:
    """What a job would meet now: the interlock (empty: no place for it), in words, and the mend."""

    interlock: str
    what: str
    mend: str = ""


def obstacle(world: World, name: str, actions: Sequence[Action]) -> Obstacle | None:
    """What would keep the first of the actions that moves energy from doing so at this moment.

    None: nothing, or none of them moves energy.
    """
    flow = next((found for one in actions if (found := _flow(one)) is not None), None)
    if flow is None:
        return None
    side, target = flow
    place = world.packs[name].station
    station = world.setup.site.stations[place] if place else None
    if station is None or station.socket(side) is None:
        return Obstacle("", *no_place(name, side))
    if side is Side.LOAD and (bounds := _unseen(world, name, station, target)) is not None:
        if isinstance(bounds, Obstacle):
            return bounds
        target = bounds
    intent = Intent(
        job="", rule="", pack=name, station=station.name, side=side, target=target,
        because="", time_max=0, energy_wh_max=0.0,
    )  # fmt: skip
    match judge(Turn(world, world.now), station, intent):
        case Veto() as veto:
            return Obstacle(veto.interlock, veto.show(), veto.mend)
        case _:
            return None


def _unseen(world: World, name: str, station: Station, target: float) -> float | Obstacle | None:
    """Where the first stage of a drain ends whose voltage nobody sees, or why there is none."""
    bounds = unseen(world, name, station) if station.blind else None
    soc = world.packs[name].soc
    if (
        bounds is None
        or not isinstance(soc, Known)
        or (charge := soc.value_at(world.now)) <= target
    ):
        return None
    if target < (floor := bounds.floor()):
        return Obstacle("floor", f"drain to {target:.4g} %; wanted {too_deep(floor)}")
    stage = stage_below(charge, target, bounds)
    if stage < charge:
        return stage
    what, mend, how = unread(name, stage)
    return Obstacle("floor", what, f"{mend}: {how}")


def moves_energy(actions: Sequence[Action]) -> bool:
    """Whether any of the actions has a plug switched on."""
    return any(side_of(action) is not None for action in actions)


def _flow(action: Action) -> tuple[Side, float] | None:
    """Which way the action moves energy, and to what charge (%); None: it moves none."""
    side = side_of(action)
    if side is None:
        return None
    return side, action.target if isinstance(action, Drain | Charge) else NO_TARGET[side]

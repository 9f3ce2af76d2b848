"""Faults planted in the program, each of which the campaign must find: name, how, bound, trouble.

Each is one thing that a careless hand could do to the program: a check taken out, a bound widened,
a sign turned. Where two stand together, either alone is held by the other, as it is meant to be.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from importlib import import_module
from typing import Any

import pytest

from carerules.battery import estimate
from carerules.campaign import Night, play
from carerules.domain.decision import SwitchOff
from carerules.domain.event import Attended
from carerules.domain.moment import DAY, HOUR, NEVER
from carerules.domain.quantity import Known
from carerules.engine import Over, energy, window
from carerules.engine.job import next_line
from carerules.loop import intake, knowledge, steer, unseen, view
from carerules.safety import Permit, interlock, lease
from carerules.safety import pack as pack_checks

conducting = import_module("carerules.loop.conduct")
stepping = import_module("carerules.loop.step")  # the room, not the function that it is named for

Patch = pytest.MonkeyPatch


@dataclass(frozen=True)
class Plant:
    """`trouble`: the kind that each night of the search begins with; empty: as it comes. `first`:
    the first night of campaign 1 that finds it."""

    name: str
    plant: Callable[[Patch], None]
    bound: str
    trouble: str = ""
    first: int = 0


SEARCHED = 5_000
"""A planted fault must be found within so many nights."""


def breaks(plant: Plant, number: int) -> bool:
    """Whether the night of that number finds what breaks the plant's bound, as the program is."""
    breaches = play(Night(1, number, plant.trouble)).breaches
    return any(one.split(": ")[1] == plant.bound for one in breaches)


def first_night(plant: Plant) -> int | None:
    """The first night that does; None: not one of `SEARCHED`."""
    return next((number for number in range(SEARCHED) if breaks(plant, number)), None)


def without(*names: str) -> Callable[[Patch], None]:
    """The interlock without some of its checks."""

    def plant(patch: Patch) -> None:
        checks = {
            side: tuple(one for one in checks if one[0] not in names)
            for side, checks in interlock.CHECKS.items()
        }
        assert sum(map(len, checks.values())) < sum(map(len, interlock.CHECKS.values()))
        patch.setattr(interlock, "CHECKS", checks)

    return plant


def changed(target: Any, name: str, value: Any) -> Callable[[Patch], None]:
    """One thing replaced by another."""

    def plant(patch: Patch) -> None:
        assert hasattr(target, name)
        patch.setattr(target, name, value)

    return plant


def all_of(*plants: Callable[[Patch], None]) -> Callable[[Patch], None]:
    def plant(patch: Patch) -> None:
        for one in plants:
            one(patch)

    return plant


def _switch_on_long(patch: Patch) -> None:
    honest = lease.want_on

    def longer(state: Any, plug: Any, *rest: Any) -> Any:
        after, commands = honest(state, plug, *rest)
        return after, [
            replace(one, lease_s=3_600) if hasattr(one, "lease_s") else one for one in commands
        ]

    patch.setattr(steer, "want_on", longer)
    patch.setattr(lease, "_timer_not_armed", lambda *_: False)


def _switch_on_bare(patch: Patch) -> None:
    honest = lease.want_on

    def bare(state: Any, plug: Any, *rest: Any) -> Any:
        after, commands = honest(state, plug, *rest)
        return after, [
            replace(one, lease_s=None) if hasattr(one, "lease_s") else one for one in commands
        ]

    patch.setattr(steer, "want_on", bare)
    patch.setattr(lease, "_timer_not_armed", lambda *_: False)


def _once_on_always_on(patch: Patch) -> None:
    honest = steer.judge

    def judge(turn: Any, station: Any, intent: Any) -> Any:
        verdict = honest(turn, station, intent)
        socket = station.socket(intent.side)
        if turn.world.plugs[socket.plug].on_at is not None:
            return Permit(intent.job, turn.world.now, 1 << 60)
        return verdict

    patch.setattr(steer, "judge", judge)


def _floor_mistyped(patch: Patch) -> None:
    honest = pack_checks.above_floor

    def check(intent: Any, bench: Any) -> Any:
        limits = replace(bench.pack.limits, cell_v_floor=2.4)
        return honest(intent, replace(bench, pack=replace(bench.pack, limits=limits)))

    _swap_check(patch, "floor", check)


def _floor_by_charge(patch: Patch) -> None:
    def check(intent: Any, bench: Any) -> Any:
        soc = bench.readings.get("pack.soc")
        if not isinstance(soc, Known) or soc.value <= bench.pack.limits.soc_floor:
            yield pack_checks.Refusal("low", "more")

    _swap_check(patch, "floor", check)


def _swap_check(patch: Patch, name: str, check: Any) -> None:
    checks = {
        side: tuple((n, check if n == name else one) for n, one in checks)
        for side, checks in interlock.CHECKS.items()
    }
    patch.setattr(interlock, "CHECKS", checks)


def _late_is_now(patch: Patch) -> None:
    honest = knowledge.take_in

    def take_in(turn: Any, event: Any) -> Any:
        return honest(turn, replace(event, at=event.heard))

    patch.setattr(intake, "take_in", take_in)


def _everything_believed(patch: Patch) -> None:
    def screened(pack: Any, chemistry: Any, sample: Any, temperature: Any = None) -> Any:
        # But for the current: a thousandfold one ends each drain at once, as done.
        told = {one.signal: one for one in sample.values if one.signal != "pack.current"}
        return told, sample.cells, {}

    patch.setattr(estimate, "screened", screened)


def _off_not_said(patch: Patch) -> None:
    """OFF is decided, told and forgotten, and never leaves; only the plug's own timer is left."""
    honest = lease.want_off

    def want_off(state: Any, plug: Any, because: str, now: int) -> Any:
        after, words = honest(state, plug, because, now)
        return after, [word for word in words if not isinstance(word, SwitchOff)]

    patch.setattr(steer, "want_off", want_off)


def _never_alarmed(patch: Patch) -> None:
    patch.setattr(steer, "_alarm", lambda _turn, _station, state: replace(state, alarmed=True))


def _off_at_once_believed(patch: Patch) -> None:
    patch.setattr(lease, "_read_back_off", lambda state, _plug: state.off_at is not None)
    patch.setattr(steer, "astray", lambda *_: False)
    patch.setattr(lease, "astray", lambda *_: False)


def _attended_for_a_day(patch: Patch) -> None:
    honest = stepping.take

    def take(turn: Any, event: Any) -> Any:
        if isinstance(event, Attended):
            event = replace(event, until=event.until + DAY)
        return honest(turn, event)

    patch.setattr(stepping, "take", take)


def _silence_is_yes(patch: Patch) -> None:
    honest = conducting.advance

    def advance(job: Any, view: Any) -> Any:
        after = honest(job, view)
        unanswered = isinstance(after, Over) and after.why == "nobody answered"
        return next_line(job, view) if unanswered else after

    patch.setattr(conducting, "advance", advance)


def _never_moves_on(patch: Patch) -> None:
    """A look that is due in the past, and stays so."""
    _swap_check(patch, "presence", lambda _intent, bench: iter((bench.attended_until,)))


def _only_what_is_metered(patch: Patch) -> None:
    honest = intake._flows
    patch.setattr(intake, "_flows", lambda *its: (honest(*its)[0], 0.0))


PLANTS = (
    Plant("no floor", without("floor"), "floor", first=24),
    Plant("the floor is a volt lower", _floor_mistyped, "floor", first=24),
    Plant("the floor by the charge, not by the cells", _floor_by_charge, "floor", first=24),
    Plant("another pack is not noticed", without("answer"), "floor", "people swap untold", first=8),
    Plant("no temperature check", without("temperature"), "heat", "people heat", first=248),
    Plant("a charge in the cold", without("temperature"), "cold", first=17),
    Plant("no rest before a charge", without("rest"), "rest", first=20),
    Plant(
        "a lock that holds nobody",
        without("station locked"),
        "locked",
        "plug ignores-off",
        first=87,
    ),
    Plant("a charger with nobody there", without("presence"), "charger", first=21),
    Plant(
        "whoever comes is taken to stay a day",
        _attended_for_a_day,
        "charger",
        "people come",
        first=207,
    ),
    Plant("a moment without an end", _never_moves_on, "stuck", first=21),
    Plant("no ceiling", without("ceiling"), "ceiling", "people come", first=277),
    Plant(
        "a harmed pack is charged",
        without("ceiling", "pack barred"),
        "harm",
        "people come",
        first=74,
    ),
    Plant("the lease is an hour", _switch_on_long, "lease", "machine killed", first=6),
    Plant("ON without a timer", _switch_on_bare, "lease", "machine killed", first=6),
    Plant("once on, always on", _once_on_always_on, "floor", first=19),
    Plant("once on, always on: data", _once_on_always_on, "data", "telemetry missing", first=1),
    Plant(
        "data a day old will do",
        all_of(changed(pack_checks, "DATA_AGE_MAX", DAY), without("answer")),
        "data",
        "telemetry missing",
        first=1,
    ),
    Plant(
        "everything is believed",
        all_of(_everything_believed, without("answer", "temperature")),
        "data",
        "telemetry milli",
        first=6,
    ),
    Plant("late is as good as now", _late_is_now, "data", "telemetry very late", first=1),
    Plant("stop does not stop", without("stop"), "stop", "people stop", first=0),
    Plant(
        "a run of ten hours",
        all_of(changed(energy, "ON_TIME_MAX", 10 * HOUR), changed(energy, "TIME_CAP", 10.0)),
        "caps",
        "people cancel",
        first=468,
    ),
    Plant(
        "the floor is not thought of where no voltage is seen",
        all_of(
            changed(steer, "floor_charge", lambda *_: 0.0),
            changed(unseen, "floor_charge", lambda *_: 0.0),
        ),
        "floor",
        "machine asleep",
        first=498,
    ),
    Plant(
        "sixty points unseen",
        all_of(
            changed(pack_checks, "BLIND_POINTS_MAX", 60.0),
            changed(unseen, "BLIND_POINTS_MAX", 60.0),
        ),
        "unseen",
        first=97,
    ),
    Plant(
        "what a meter does not tell of is not counted",
        _only_what_is_metered,
        "unseen",
        "plug reads-low",
        first=1796,
    ),
    Plant("nobody is told", _never_alarmed, "told", "plug ignores-off", first=3),
    Plant(
        "told after ten minutes",
        changed(lease, "OFF_ALARM", HOUR // 6),
        "told",
        "plug ignores-off",
        first=3,
    ),
    Plant(
        "off is believed when it is said",
        _off_at_once_believed,
        "told",
        "plug ignores-off",
        first=3,
    ),
    Plant(
        "a stranger is not noticed",
        all_of(
            changed(lease, "astray", lambda *_: False), changed(steer, "astray", lambda *_: False)
        ),
        "told",
        "plug stranger",
        first=1,
    ),
    Plant(
        "a drain that is never there, with caps of any size",
        all_of(
            changed(energy, "_reached", lambda *_: False),
            changed(energy, "ENERGY_CAP", 20.0),
            changed(energy, "TIME_CAP", 20.0),
        ),
        "energy",
        first=68,
    ),
    Plant(
        "a window that is open all day",
        changed(window, "inside", lambda *_: (True, NEVER)),
        "window",
        first=34,
    ),
    Plant("whoever says nothing has said yes", _silence_is_yes, "asked", first=97),
    Plant(
        "what flows where no meter is is not counted",
        changed(steer, "_flows_unmetered", lambda *_: False),
        "floor",
        "telemetry frozen",
        first=803,
    ),
    Plant(
        "no floor, and a plug that was mended",
        without("floor"),
        "floor",
        "plug timer-missing",
        first=24,
    ),
    Plant("off is never said", _off_not_said, "data", first=6),
    Plant(
        "load and charger together",
        all_of(
            without("one side only", "rest", "presence", "dwell"),
            changed(view, "off_proven", lambda *_: True),
        ),
        "both",
        "plug ignores-off",
        first=232,
    ),
)

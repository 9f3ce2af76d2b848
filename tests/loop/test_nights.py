"""Nights under trouble keep the safety contract: each trouble once, and nights of up to three.

A failing night is played again, with all that was decided, by `python tests/loop/nights.py SEED`.
The figures are those of the model only: 0 breaches in n nights say, with 95 % confidence, that
fewer than 3 in n break it there (the rule of three).
"""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest
from kit import BEGIN, MINUTE, SECOND
from nights import TROUBLES, Night, Observer

from carerules.domain.event import Event, Stopped
from carerules.sim import Fault

NIGHTS = 20


def checked(night: Night) -> Observer:
    observer = night.play()
    replay = f"python tests/loop/nights.py {night.seed} {night.kind}".strip()
    assert not observer.breaches, (observer.breaches, night.troubles, replay)
    return observer


@pytest.mark.parametrize("kind", TROUBLES)
def test_one_night_of_each_trouble(kind: str) -> None:
    checked(Night(1_006, kind=kind, length=6_000_000))


def test_nights_of_up_to_three_troubles() -> None:
    ons = kills = 0
    for seed in range(NIGHTS):
        night = Night(seed)
        checked(night)
        ons += night.ons
        kills += night.kills
    assert ons > NIGHTS  # nights in which nothing is ever on would prove nothing
    assert kills > NIGHTS / 10


# ---- the observer sees what it is there to see -------------------------------------------------


def blind_interlock(patch: pytest.MonkeyPatch, *names: str) -> None:
    """The interlock without some of its checks: a fault planted in the program."""
    from carerules.safety import interlock

    checks = {
        side: tuple(one for one in checks if one[0] not in names)
        for side, checks in interlock.CHECKS.items()
    }
    patch.setattr(interlock, "CHECKS", checks)


def found(seeds: range, kind: str = "") -> str:
    """The breaches of some nights, in one line."""
    return " ".join(one for seed in seeds for one in Night(seed, kind=kind).play().breaches)


def test_an_interlock_without_a_floor_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    blind_interlock(monkeypatch, "floor", "caps")
    monkeypatch.setattr("carerules.engine.energy.ENERGY_CAP", 9.0)
    assert "floor:" in found(range(15, 22, 6))


def test_an_interlock_that_does_not_ask_for_an_answer_is_found_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    blind_interlock(monkeypatch, "answer")
    assert "floor:" in found(range(1_000, 1_012), "person swap untold")


def test_a_charger_without_a_person_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    blind_interlock(monkeypatch, "presence")
    assert "charger:" in found(range(2, 5))


def test_a_lease_that_is_too_long_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    from carerules.sim import PlugTruth

    honest = PlugTruth.switch_on
    monkeypatch.setattr(
        PlugTruth, "switch_on", lambda self, now, lease_s: honest(self, now, 4 * (lease_s or 90))
    )
    monkeypatch.setattr("carerules.safety.lease._timer_not_armed", lambda *_: False)
    assert "lease:" in found(range(1_000, 1_008), "killed")


def welded_loads(night: Night, _chance: Random) -> None:
    """Both loads weld as soon as they close: outside the contract, but told, and locked."""

    def act() -> list[Event]:
        for plug in ("load-1", "load-2"):
            night.outside.world.wires.fail(plug, Fault.WELDED)
            night.observer.excused.add(plug)
        return []

    night.length = 45 * MINUTE
    stop = [Stopped(BEGIN + 42 * MINUTE, "a person")]
    night.outside.acts = [(BEGIN + SECOND, act), (BEGIN + 42 * MINUTE, lambda: stop)]


def test_a_welded_contact_is_told_and_its_station_locked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Night, "_draw_troubles", welded_loads)
    locked = [len(checked(Night(seed)).locked_at) for seed in range(6)]
    assert sum(locked) >= 3


def test_an_alarm_that_is_not_given_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Night, "_draw_troubles", welded_loads)
    silent = lambda _turn, _station, state: replace(state, alarmed=True)  # noqa: E731
    monkeypatch.setattr("carerules.loop.steer._alarm", silent)
    assert "told:" in found(range(6))

"""Two machines share a site through nights of kills, freezes, cuts and restarts: no load is ever
switched on by one that is not its owner; an owner's first ON comes after its own OFF, read back.

`CARERULES_FLEET_NIGHTS=10000` plays so many. Facts held here: the project's own promise
(docs/fleet.md); common practice for fenced locks, no source.
"""

from __future__ import annotations

import os
from collections.abc import Callable

import pytest
from fleet_night import Night
from fleet_plants import HELD, PLANTS, Plant

NIGHTS = int(os.environ.get("CARERULES_FLEET_NIGHTS", "40"))

SEARCHED = 20
"""Nights that are gone through for a planted fault: what is drawn may shift with the campaign's."""


def test_no_load_is_ever_commanded_by_two(pytestconfig: pytest.Config) -> None:
    broken, ons, worst = {}, 0, 0
    for seed in range(NIGHTS):
        night = Night(seed)
        seen = night.play()
        ons += seen.ons
        worst = max(worst, *seen.takeovers)
        if seen.breaches:
            broken[seed] = (night.story, seen.breaches)
    assert broken == {}
    assert ons > 5 * NIGHTS
    pytestconfig.measured.append(  # type: ignore[attr-defined]
        f"fleet: {NIGHTS} nights, {ons} times ON, longest without an owner {worst / 1_000:.1f} s"
    )


def test_the_same_seed_is_the_same_night() -> None:
    first, second = Night(5).play(), Night(5).play()
    assert first.said == second.said
    assert first.said


@pytest.mark.parametrize("plant", PLANTS, ids=lambda plant: plant.name)
def test_a_planted_fault_is_found(plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    plant.plant(monkeypatch)
    for seed in range(plant.first, plant.first + SEARCHED):
        if any(plant.said in one for one in Night(seed).play().breaches):
            return
    raise AssertionError(f"not found from night {plant.first} on")


@pytest.mark.parametrize(("name", "plant"), HELD, ids=[name for name, _ in HELD])
def test_either_alone_is_held(
    name: str, plant: Callable[[pytest.MonkeyPatch], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    plant(monkeypatch)
    for seed in range(6):
        unsafe = [one for one in Night(seed).play().breaches if "served" not in one]
        assert unsafe == []

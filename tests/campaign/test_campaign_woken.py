"""Through nights of troubles nothing sleeps that nobody will wake."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from woken_kit import asleep

from carerules.campaign import Night, play
from carerules.domain.decision import Outcome
from carerules.domain.event import Event
from carerules.loop import World, step
from carerules.service import run

NIGHTS = 60


def test_what_is_not_due_has_nothing_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    slept: list[str] = []
    with_jobs = 0

    def watched(world: World, event: Event) -> tuple[World, Sequence[Outcome]]:
        nonlocal with_jobs
        after, outcomes = step(world, event)
        with_jobs += any(state.jobs for state in after.packs.values())
        slept.extend(asleep(after))
        return after, outcomes

    monkeypatch.setattr(run, "step", watched)
    for number in range(NIGHTS):
        assert not play(Night(7, number)).breaches
        assert not slept, f"night {number}"
    assert with_jobs > 40 * NIGHTS

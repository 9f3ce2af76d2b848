"""What is due comes to an end: the loop asks to be woken for nothing that it then leaves."""

from __future__ import annotations

import pytest
from kit import BEGIN, MINUTE, SECOND, Stage, events_of, make_site, run, stage_of

from carerules.domain.decision import JobBegan
from carerules.domain.event import Cancelled, ClockSet, Ended, Event, Started, Stopped, Tick
from carerules.loop import next_due

RULES = "when pack.soc >= 95 %: drain to 80 %"
SITE = make_site(stations=("bench",))
FULL = "2s on=bench; 3s soc=96 cells=4.16,4.16,4.16,4.16,4.16,4.16 t=21; 4s t=21"


def draining() -> Stage:
    stage = stage_of(RULES, SITE)
    run(stage, events_of(FULL), BEGIN + 30 * SECOND)
    assert stage.all(JobBegan)
    return stage


@pytest.mark.parametrize(
    "event",
    [
        Cancelled(0, "heron-1"), Stopped(0, "a person"), Started(0), Ended(0),
        ClockSet(0, 0, MINUTE),
    ],
    ids=lambda event: type(event).__name__.lower(),
)  # fmt: skip
def test_a_tick_when_due_leaves_nothing_due(event: Event) -> None:
    """A job that ended or stands still must not keep the service awake for ever."""
    from dataclasses import replace

    stage = draining()
    stage.obey = False  # the plugs fall silent: this is about what the loop asks for by itself
    stage.hear(replace(event, heard=stage.now))
    ticks = 0
    while stage.now < BEGIN + 10 * MINUTE:
        due = max(stage.now, min(next_due(stage.world), BEGIN + 10 * MINUTE))
        ticks += 1
        stage.hear(Tick(due))
        assert next_due(stage.world) > due, "due again at the very moment at which it was ticked"
    assert ticks < 600

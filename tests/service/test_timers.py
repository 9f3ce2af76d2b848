"""The wake-ups: each comes, the next one is never taken for the last, and leaving is quiet."""

from __future__ import annotations

import threading

import pytest

from carerules.adapters import Inbox, LineClock
from carerules.domain.event import Tick
from carerules.domain.moment import SECOND
from carerules.service.timers import DUE, Timers


@pytest.fixture
def died(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of what threads died of."""
    found: list[str] = []
    monkeypatch.setattr(threading, "excepthook", lambda args: found.append(args.exc_type.__name__))
    return found


def test_a_wake_up_comes_and_its_job_is_not_taken_out(died: list[str]) -> None:
    inbox = Inbox(LineClock())
    timers = Timers(inbox)
    timers.start()
    for _ in range(20):
        due = inbox.now() + 20
        timers.wake_at(due)
        # Were it not woken, it would come back by itself a minute later.
        heard = inbox.take(due + 60 * SECOND)
        assert any(isinstance(event, Tick) and due <= event.heard < due + 60 * SECOND
                   for event in heard), heard  # fmt: skip
    # Were it taken out by the scheduler's own thread, the next could be taken for it.
    assert timers._scheduler.get_job(DUE) is not None
    timers.close()
    assert not died


def test_leaving_while_a_wake_up_is_under_way_is_quiet(died: list[str]) -> None:
    for _ in range(60):
        inbox = Inbox(LineClock())
        timers = Timers(inbox)
        timers.start()
        timers.wake_at(inbox.now() + 1)
        inbox.take(inbox.now() + 2)
        timers.close()
    assert not died

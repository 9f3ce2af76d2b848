"""A service whose site another one may take over says nothing more once it is another's.

Facts held here: the project's own contract (docs/fleet.md); common practice for a fenced lock, no
source.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import pytest

from carerules.adapters import Hold
from carerules.campaign.ground import BEGIN, drawn, setup_on
from carerules.domain.decision import AskPlug, Command, Outcome, SwitchOff, SwitchOn
from carerules.domain.event import Event, Started, Tick
from carerules.domain.moment import SECOND, Moment
from carerules.domain.ports import JournalError, NotOwnerError
from carerules.loop import new_world
from carerules.service import Service
from carerules.service.outside import may_send

ON = SwitchOn("A-load", 90, "job-1", 1, renewal=False)


@pytest.mark.parametrize(
    ("hold", "command", "goes"),
    [
        (Hold.OURS, ON, True),
        (Hold.OURS, AskPlug("A-load"), True),
        (Hold.OURS, SwitchOff("A-load", "why"), True),
        (Hold.UNKNOWN, ON, False),
        (Hold.UNKNOWN, AskPlug("A-load"), False),
        (Hold.UNKNOWN, SwitchOff("A-load", "why"), True),
        (Hold.ANOTHERS, ON, False),
        (Hold.ANOTHERS, AskPlug("A-load"), False),
        (Hold.ANOTHERS, SwitchOff("A-load", "why"), False),
    ],
)
def test_who_may_say_what(hold: Hold, command: Command, goes: bool) -> None:
    assert may_send(command, hold) is goes


class Outside:
    """Hears a tick each second; keeps what it was to perform."""

    def __init__(self) -> None:
        self.at: Moment = BEGIN
        self.said: list[Command] = []

    def now(self) -> Moment:
        return self.at

    def wait(self, due: Moment) -> Sequence[Event]:
        self.at = min(due, self.at + SECOND)
        return [Tick(self.at)]

    def perform(self, command: Command) -> None:
        self.said.append(command)

    def close(self) -> None:
        pass


class Failing:
    """A journal that fails in its n-th commit, counted from 0."""

    def __init__(self, error: JournalError, at: int) -> None:
        self.error, self.left = error, at

    def write(self, event: Event, outcomes: Iterable[Outcome]) -> None:
        pass

    def commit(self) -> None:
        self.left -= 1
        if self.left < 0:
            raise self.error


def served(error: JournalError, at: int) -> tuple[Service, Outside]:
    from random import Random

    ground = drawn(Random(1)).ground
    outside = Outside()
    setup = setup_on(ground)
    service = Service(new_world(setup, BEGIN), outside, Failing(error, at), lambda *_: None)
    return service, outside


def test_a_journal_that_is_anothers_ends_the_service_without_a_word() -> None:
    service, outside = served(NotOwnerError("it has another owner"), 1)
    service.take([Started(BEGIN)])
    before = list(outside.said)
    with pytest.raises(NotOwnerError):
        service.run([Tick(BEGIN + SECOND)], BEGIN + 60 * SECOND)
    after = outside.said[len(before) :]
    # What the step itself decided went out before the commit; nothing was added because of it.
    assert not [one for one in after if isinstance(one, SwitchOn)]
    assert not [one for one in after if isinstance(one, SwitchOff) and "failed" in one.because]


def test_a_journal_that_cannot_be_written_brings_everything_off() -> None:
    service, outside = served(JournalError("the disk is full"), 1)
    service.take([Started(BEGIN)])
    before = len(outside.said)
    service.run([Tick(BEGIN + SECOND)], BEGIN + 60 * SECOND)
    offs = {one.plug for one in outside.said[before:] if isinstance(one, SwitchOff)}
    assert offs == set(service.world.plugs)
    assert service.faulted

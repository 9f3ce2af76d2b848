"""What is made durable when: a word at once, samples on which nothing was decided seldom."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import pytest

from carerules.campaign.ground import BEGIN, Ground, chemistries, setup_on
from carerules.domain.decision import Command, Outcome, SwitchOff, SwitchOn
from carerules.domain.event import Attended, ClockSet, Event, Sample, Started, Tick, Value
from carerules.domain.moment import HOUR, MINUTE, SECOND, Moment
from carerules.domain.signal import catalogue
from carerules.lang import load
from carerules.loop import World, make_setup, new_world, step
from carerules.service import Service
from carerules.service.run import LIGHT_EVERY, LIGHT_MAX

SITE = setup_on(Ground(0, False, (5.0, 5.0), (True,) * 4, (True,) * 4, 3.4, 4.22, MINUTE)).site


class Counted:
    """A journal that counts: `waits` is how many facts no commit has made durable yet."""

    commits = waits = most = 0

    def write(self, _event: Event, _outcomes: Iterable[Outcome]) -> None:
        self.waits += 1
        self.most = max(self.most, self.waits)

    def commit(self) -> None:
        self.commits += 1
        self.waits = 0


class Nowhere:
    """An outside to which nothing is said."""

    at: Moment = BEGIN

    def now(self) -> Moment:
        return self.at

    def wait(self, due: Moment) -> Sequence[Event]:
        raise AssertionError(due)

    def perform(self, command: Command) -> None:
        del command


def service_on(journal: Counted) -> Service:
    plan = load({"kit.care": ""}, catalogue=catalogue()).plan
    assert plan is not None
    setup = make_setup(SITE, chemistries(), catalogue(), plan)
    return Service(new_world(setup, BEGIN), Nowhere(), journal, lambda *_: None, idle=SECOND)


def sample(at: Moment) -> Sample:
    return Sample(at, at, "heron", (Value("pack.temperature", 21.0),), "kit")


def test_samples_on_which_nothing_was_decided_wait_ten_seconds() -> None:
    journal = Counted()
    service = service_on(journal)
    service.take([Attended(BEGIN, BEGIN)])
    journal.commits = journal.most = 0
    for second in range(1, 601):
        service.take([sample(BEGIN + second * SECOND)])
    assert journal.commits == 600 * SECOND // LIGHT_EVERY
    assert journal.most == LIGHT_EVERY // SECOND


def test_a_flood_of_samples_does_not_pile_up_before_the_commit_that_an_on_waits_for() -> None:
    journal = Counted()
    service = service_on(journal)
    service.take([Attended(BEGIN, BEGIN)])
    journal.commits = journal.most = 0
    for number in range(1, 3 * LIGHT_MAX + 1):
        service.take([sample(BEGIN + number)])
    assert journal.commits == 3
    assert journal.most == LIGHT_MAX


def test_a_sample_after_a_quiet_time_does_not_wait() -> None:
    journal = Counted()
    service = service_on(journal)
    service.take([Attended(BEGIN, BEGIN)])
    service.take([sample(BEGIN + MINUTE)])
    assert journal.waits == 0


def test_a_persons_word_is_durable_at_once_with_all_that_waited() -> None:
    journal = Counted()
    service = service_on(journal)
    service.take([Attended(BEGIN, BEGIN)])
    service.take([sample(BEGIN + SECOND)])
    assert journal.waits == 1
    service.take([Attended(BEGIN + SECOND, BEGIN + MINUTE)])
    assert journal.waits == 0


class Late(Nowhere):
    """An outside that keeps what is said to it; a commit takes as long as `hangs` says."""

    def __init__(self) -> None:
        self.said: list[Command] = []

    def perform(self, command: Command) -> None:
        self.said.append(command)


class Hangs(Counted):
    """A journal whose disk hangs at the next commit."""

    def __init__(self, outside: Late) -> None:
        self.outside, self.hangs = outside, 0

    def commit(self) -> None:
        super().commit()
        self.outside.at += self.hangs
        self.hangs = 0


RENEWAL = SwitchOn("load-1", 90, "heron-1", BEGIN + MINUTE, renewal=True)


@pytest.mark.parametrize(
    ("hangs", "on", "off"),
    [(SECOND, True, False), (3 * SECOND, False, False), (100 * SECOND, False, True)],
)
def test_what_hung_for_long_says_off_and_no_renewal(
    hangs: int, on: bool, off: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A plug's own timer has run out meanwhile: a renewal would close it anew."""
    outside = Late()
    service = service_on(Hangs(outside))
    service.outside = outside
    service.take([Started(BEGIN)])
    decided = [RENEWAL]
    monkeypatch.setattr(
        "carerules.service.run.step",
        lambda world, event: (
            (step(world, event)[0], [decided.pop()]) if decided else step(world, event)
        ),
    )
    outside.said.clear()
    outside.at = BEGIN + MINUTE
    assert isinstance(service.journal, Hangs)
    service.journal.hangs = hangs
    service.take([Attended(BEGIN + MINUTE, BEGIN + HOUR)])
    assert (RENEWAL in outside.said) is on
    plugs = {one.plug for one in outside.said if isinstance(one, SwitchOff)}
    assert plugs == (set(SITE.plugs) if off else set())


class Stopped(Late):
    """An outside that is slept through: the process is stopped in its third wait."""

    def __init__(self, hangs: int) -> None:
        super().__init__()
        self._hangs, self.waits = hangs, 0

    def wait(self, due: Moment) -> Sequence[Event]:
        self.waits += 1
        self.at = due + (self._hangs if self.waits == 3 else 0)
        return [Tick(self.at)]


@pytest.mark.parametrize(("hangs", "off"), [(0, False), (5 * SECOND, False), (6 * SECOND, True)])
def test_who_was_stopped_says_off_before_anything_else(
    hangs: int, off: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SIGSTOP, a machine that swaps: somebody may have brought the load off meanwhile, and our time
    is up before we hear of it."""
    outside = Stopped(hangs)
    service = service_on(Counted())
    service.outside = outside
    service.leave = lambda: outside.waits >= 3
    stepped: list[Event] = []

    def renews(world: World, event: Event) -> tuple[World, Sequence[Outcome]]:
        stepped.append(event)
        after, outcomes = step(world, event)
        if isinstance(event, Tick) and outside.waits == 3 and after.starting_since is None:
            outcomes = [replace(RENEWAL, permit_at=event.heard)]
        return after, outcomes

    monkeypatch.setattr("carerules.service.run.step", renews)
    service.run([Attended(BEGIN, BEGIN)])
    assert any(isinstance(one, ClockSet) for one in stepped) is off
    words = [type(one) for one in outside.said]
    assert (SwitchOn in words) is not off

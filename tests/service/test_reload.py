"""Edited rules taken up by a running service: everything off first, nothing under way loosened."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from carerules.campaign.ground import BEGIN, Ground, chemistries, setup_on
from carerules.campaign.stage import Stage
from carerules.domain.decision import Ending, JobEnded, Outcome, SwitchOff, SwitchOn
from carerules.domain.event import Attended, Event, Rejected, Started, Tick
from carerules.domain.moment import HOUR, MINUTE, SECOND
from carerules.domain.signal import catalogue
from carerules.lang import load
from carerules.loop import Setup, World, make_setup, new_world, next_due
from carerules.service import Service, SiteRules, restore
from carerules.service.reload import take_up
from carerules.sim import Fault, VirtualPack, VirtualSettings, VirtualSite

GROUND = Ground(0, False, (5.0, 5.0), (True,) * 4, (True,) * 4, 3.4, 4.22, MINUTE)
SITE = setup_on(GROUND).site
DRAIN = "rule keep\n    when pack.soc > 55 %: drain to 45 %\n"
NEVER = "never drain when pack.temperature > 40 °C\n"


def rules_of(text: str) -> SiteRules:
    loaded = load({"kit.care": text}, catalogue=catalogue())
    plan = loaded.plan
    return SiteRules(loaded, plan and make_setup(SITE, chemistries(), catalogue(), plan))


class Run:
    """A service on a virtual site; `log` is all that was decided."""

    def __init__(self, text: str) -> None:
        setup = rules_of(text).setup
        assert setup is not None
        packs = {"heron": VirtualPack(soc=90, station="bench-1"), "egret": VirtualPack(soc=50)}
        site = VirtualSite(SITE, chemistries(), VirtualSettings(start=BEGIN, packs=packs), 1)
        self.stage = Stage(site, setup, HOUR)
        self.log: list[tuple[Event, Outcome]] = []
        journal = self.stage.journal
        self.service = Service(
            new_world(setup, BEGIN), self.stage, journal, self._told, snapshot=journal.snapshot
        )
        self.service.take([Started(BEGIN)])
        self.until(BEGIN + 8 * MINUTE)  # until its rest can be read
        assert self.closed
        self.log.clear()

    def _told(self, event: Event, outcomes: Sequence[Outcome], _world: World) -> None:
        self.log += [(event, one) for one in outcomes]

    def until(self, moment: int) -> None:
        while self.stage.now() < moment:
            due = min(next_due(self.service.world), moment)
            self.service.take(self.stage.wait(due))

    def edit(self, text: str) -> str:
        return take_up(self.service, rules_of(text), self._again, lambda: 0)

    def restart(self, text: str) -> None:
        """It ends as it should, and starts on edited rules."""
        self.service.bring_off()
        setup = rules_of(text).setup
        assert setup is not None
        self.service.world = self._again(setup)
        self.service.take([Started(self.stage.now())])

    def _again(self, setup: Setup) -> World:
        return restore(self.stage.journal, setup, self.stage.now())

    @property
    def closed(self) -> bool:
        return self.stage.world.bench.plugs["load-1"].closed

    def endings(self) -> list[tuple[str, Ending]]:
        return [(one.job, one.ending) for _, one in self.log if isinstance(one, JobEnded)]


def test_words_that_mean_the_same_change_nothing() -> None:
    run = Run(DRAIN)
    assert run.edit("# a word\n" + DRAIN) == "no rule means anything else"
    assert run.closed
    assert not run.log


def test_rules_with_an_error_are_refused_and_the_old_ones_go_on() -> None:
    run = Run(DRAIN)
    said = run.edit(DRAIN.replace("45 %", "45 volts of it"))
    assert said.startswith("refused: 1 error")
    assert run.closed
    run.until(run.stage.now() + 2 * MINUTE)
    assert [type(event) for _, event in run.stage.journal.events()].count(Rejected) == 1


def test_a_new_rule_brings_everything_off_and_the_drain_goes_on_after_it() -> None:
    run = Run(DRAIN)
    said = run.edit(DRAIN + 'rule more\n    when pack.soc < 5 %: notify "low"\n')
    assert said == "taken up: new more"
    assert not run.closed
    off = [one for _, one in run.log if isinstance(one, SwitchOff) and one.plug == "load-1"]
    assert off
    run.until(run.stage.now() + 10 * MINUTE)
    assert run.closed, "the same job has qualified again"
    assert run.endings() == []


def test_whoever_is_there_stays_and_nobody_comes_by_an_edit() -> None:
    other = DRAIN + 'rule more\n    when pack.soc < 5 %: notify "low"\n'
    alone = Run(DRAIN)
    alone.edit(other)
    assert alone.service.world.attended_until == 0
    attended = [one for one in alone.stage.journal.events() if isinstance(one[1], Attended)]
    assert attended == []
    watched = Run(DRAIN)
    until = watched.stage.now() + HOUR
    watched.service.take([Attended(watched.stage.now(), until)])
    watched.edit(other)
    assert watched.service.world.attended_until == until


def test_what_came_in_while_the_rules_were_read_keeps_its_place(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A clock that has gone on while a message still waits to be taken, as an inbox that threads
    fill always may: the service ended over it, as no moment may run backwards."""
    run = Run(DRAIN)
    stamped = run.stage.now
    monkeypatch.setattr(run.stage, "now", lambda: stamped() + SECOND)
    more = 'rule more\n    when pack.soc < 5 %: notify "low"\n'
    assert run.edit(DRAIN + more) == "taken up: new more"
    run.service.take([Tick(stamped())])
    assert run.service.world.now == stamped()
    monkeypatch.undo()
    run.until(stamped() + 10 * MINUTE)
    assert run.closed, "the same job has qualified again"


def test_rules_that_take_long_to_read_hear_afterwards_what_came_in_meanwhile(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Forty seconds, in which nobody is to be alarmed that no plug was read back off."""
    run, waiting = Run(DRAIN), list[Event]()
    wait = run.stage.wait

    def slow(setup: Setup) -> World:
        world, end = run._again(setup), run.stage.now() + 40 * SECOND
        while run.stage.now() < end:
            waiting.extend(wait(end))
        return world

    def first(due: int) -> Sequence[Event]:
        taken = waiting[:]
        waiting.clear()
        return taken or wait(due)

    monkeypatch.setattr(run.stage, "wait", first)
    more = rules_of(DRAIN + 'rule more\n    when pack.soc < 5 %: notify "low"\n')
    assert take_up(run.service, more, slow, lambda: 0) == "taken up: new more"
    (begun,) = {event.heard for event, _ in run.log if isinstance(event, Started)}
    assert begun == run.stage.now(), "only then it begins anew"
    assert not [plug for plug in run.service.world.plugs.values() if plug.alarmed]
    run.until(begun + 10 * MINUTE)
    assert run.closed, "the same job has qualified again"


def test_an_edit_waits_while_a_plug_is_not_proved_off() -> None:
    run = Run(DRAIN)
    run.stage.world.wires.fail("load-1", Fault.IGNORES_OFF)
    said = run.edit(DRAIN.replace("45", "50"))
    assert said == "refused: not every plug is proved off; the old rules go on"
    assert run.service.world.setup.plan.rules[0].actions[0].target == 45  # type: ignore[union-attr]
    assert not run.service.world.ended, "it goes on bringing it off"
    run.until(run.stage.now() + 3 * MINUTE)
    assert not run.closed, "its timer has opened it, and nothing renewed it"


@pytest.mark.parametrize(
    "edit",
    [
        DRAIN.replace("45", "50"),
        DRAIN.replace(
            ": drain to 45 %", ":\n        drain to 45 %\n        stop when pack.soc < 80 %"
        ),
    ],
)
def test_a_rule_that_does_something_else_now_is_taken_up_and_its_job_ends(edit: str) -> None:
    run = Run(DRAIN)
    assert run.edit(edit) == "taken up: changed keep"
    run.until(run.stage.now() + 10 * MINUTE)
    assert run.endings() == [("heron-1", Ending.CANCELLED)]
    assert not run.closed


STOPPED = DRAIN.replace(
    ": drain to 45 %", ":\n        drain to 45 %\n        stop when pack.soc < 80 %"
)


@pytest.mark.parametrize(
    ("words", "endings"),
    [
        (STOPPED, []),
        ("# the same\n" + STOPPED, []),
        (STOPPED.replace("80", "46"), [("heron-1", Ending.CANCELLED)]),
        (DRAIN, [("heron-1", Ending.CANCELLED)]),
    ],
    ids=["unchanged", "a comment", "looser", "gone"],
)
def test_a_stop_when_that_is_edited_before_a_restart_ends_the_job_begun_under_it(
    words: str, endings: list[tuple[str, Ending]]
) -> None:
    run = Run(STOPPED)
    run.restart(words)
    run.until(run.stage.now() + 10 * MINUTE)
    assert run.endings() == endings
    assert run.closed == (not endings)


def test_a_never_that_comes_holds_at_once() -> None:
    run = Run(DRAIN)
    run.edit(NEVER.replace("40", "5") + DRAIN)
    run.until(run.stage.now() + 10 * MINUTE)
    assert not run.closed
    assert not [one for _, one in run.log if isinstance(one, SwitchOn)]


def test_what_was_begun_under_a_never_does_not_go_on_without_it() -> None:
    run = Run(NEVER + DRAIN)
    run.edit(DRAIN)
    run.until(run.stage.now() + 20 * MINUTE)
    assert not run.closed
    assert run.endings() == [("heron-1", Ending.CANCELLED)]


def test_a_never_that_is_moved_or_said_of_others_too_is_still_the_same() -> None:
    run = Run(NEVER + DRAIN)
    said = run.edit(DRAIN + "\n\n" + NEVER + "never charge when pack.temperature > 41 °C\n")
    assert said == "taken up: 1 `never` differ"
    run.until(run.stage.now() + 10 * MINUTE)
    assert run.closed
    assert run.endings() == []


def test_a_never_that_is_weaker_now_is_another() -> None:
    run = Run(NEVER + DRAIN)
    run.edit(NEVER.replace("40", "45") + DRAIN)
    run.until(run.stage.now() + 10 * MINUTE)
    assert not run.closed
    assert run.endings() == [("heron-1", Ending.CANCELLED)]

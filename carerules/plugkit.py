"""For those who write a plug-in: holds it, with the plug it reaches, to what carerules counts on.

Knows the promises and how each is tried, over the very lines by which the service asks plugs. Does
not know the plug: whoever tries it brings a `Bench`. Nothing here belongs to the service.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import field
from pathlib import Path
from threading import Condition
from time import monotonic, sleep
from typing import Protocol, TypeVar

from carerules.adapters import Lane, LineClock, Login, PlugProfile
from carerules.adapters.address import AddressError
from carerules.adapters.called import Called, CalledWires
from carerules.adapters.inbox import Read
from carerules.adapters.pluginline import Installed, installed
from carerules.adapters.pluginprocess import LOAD_S_MAX
from carerules.adapters.shelf import read
from carerules.adapters.template import check_fillings
from carerules.domain.decision import AskPlug, SwitchOff, SwitchOn
from carerules.domain.event import Event, PlugLink, PlugReport, Rejected
from carerules.domain.frozen import guarded
from carerules.domain.pack import Plug

ANSWER_S_MAX = 10.0
"""A call takes 3 s at most, and three of them may be needed: the command, the question, and once
more. An estimate, no source."""
LEASE_S = 60  # its end is not to pass for an OFF that was obeyed
LEASE_S_LEAST = 6  # shorter, and a busy machine could not renew it in time
SLACK_S = 5.0  # after its time a contact must be open; the same bound as of `doctor --prove`
EARLY_S = 1.0  # so much before it may open; without the renewal it does two seconds before, or more
NAME = "bench"

E = TypeVar("E", bound=Event)


class Bench(Protocol):
    """The plug as it truly is, looked at past the plug-in; nothing may hang on it that may not be
    switched."""

    def closed(self) -> bool:
        """Whether its contact is closed."""

    def cut(self) -> AbstractContextManager[object]:
        """For as long as it lasts, the plug can be reached by nobody."""


@guarded
class Trial:
    """What is tried: the profile's file, the plug-in's name, and what a site file would say."""

    profile: Path
    plugin: str
    variables: Mapping[str, str]
    login: Login = field(default_factory=Login)


def faults(trial: Trial, bench: Bench) -> list[str]:
    """Every promise that is not kept, a line each; none: it holds. Takes about half a minute, or
    twice the shortest time that its timer knows, where that is longer.

    The contact is open at the end, as far as the plug obeys, also where the bench raises
    something. Without a timer of its own (`on_for`) nothing is asked of one: such a plug is
    switched only while somebody is there.
    """
    profile = read(trial.profile, trial.profile.stem, PlugProfile)
    if not isinstance(profile, PlugProfile):
        return [profile.show()]
    if profile.call is None or profile.call.way != "plugin":
        return [f'{trial.profile.name}: no `way = "plugin"` in `[call]`']
    unfit = check_fillings(profile.vars, trial.variables, profile.name)
    if unfit is not None:
        return [unfit.show()]
    code = installed(trial.plugin)
    if not isinstance(code, Installed):
        return [code.show()]
    plug = Plug(NAME, profile.name, trial.variables, profile.lease_for(LEASE_S), profile.metered,
                bool(profile.timer), plugin=code.name, plugin_version=code.version)  # fmt: skip
    bout = _Bout(plug, bench, profile.lease_for(LEASE_S_LEAST))
    called = Called({NAME: plug}, {profile.name: profile}, {NAME: trial.login})
    try:
        wires = CalledWires(called, bout.put, bout.clock.now)
    except AddressError as error:
        return [error.problem.show()]
    bout.perform = wires.perform
    wires.start()
    found: list[str] = []
    try:
        for promise in PROMISES:
            found += promise(bout)
            if found:
                break
            wires.perform(SwitchOff(NAME, "the next promise is tried"))
            bout.report(False)
    finally:
        # An OFF that was given is sent before the end, whatever came up.
        wires.perform(SwitchOff(NAME, "the trial is over"))
        wires.close()
    return found


class _Bout:
    """One plug under trial: what was heard of it, and the commands to it. `short_s`: the time of
    its timer that is waited for."""

    def __init__(self, plug: Plug, bench: Bench, short_s: int | None) -> None:
        self.plug, self.bench, self.clock = plug, bench, LineClock()
        self.short_s = short_s
        self.perform: Callable[[SwitchOn | SwitchOff | AskPlug], None] = lambda _: None
        self._heard: list[Event] = []
        self._some = Condition()

    def put(self, _lane: Lane, event: Read) -> None:
        """As an inbox, but for its bound: a plug that is asked says what it is asked, a few events
        a second, and a trial is over within minutes."""
        with self._some:
            self._heard += event(self.clock.now())
            self._some.notify_all()

    def on(self, lease_s: int | None, *, renewal: bool = False) -> None:
        """An ON for so long, or None where the plug has no timer."""
        self.perform(SwitchOn(NAME, lease_s, "trial", self.clock.now(), renewal=renewal))

    def report(self, on: bool, within_s: float = 0.0) -> PlugReport | None:
        """The next word of the plug, from now on, that its contact is so; None: not in time, which
        is that of an answer, or longer where `within_s` is."""
        since = len(self._heard)

        def found() -> PlugReport | None:
            told = (one for one in self._heard[since:] if isinstance(one, PlugReport))
            return next((one for one in told if one.on is on), None)

        # Asked again and again: a report that was under way may tell of the time before.
        end = monotonic() + max(ANSWER_S_MAX, within_s)
        while (report := found()) is None and monotonic() < end:
            self.perform(AskPlug(NAME))
            with self._some:
                self._some.wait_for(found, 1.0)
        return report

    def away(self, since: int, within_s: float) -> bool:
        """Whether it is told, since so many events, that the plug cannot be reached."""

        def told() -> bool:
            return any(isinstance(e, PlugLink) and not e.up for e in self._heard[since:])

        with self._some:
            return self._some.wait_for(told, within_s)

    def said(self, kind: type[E], since: int) -> list[E]:
        """Everything of a kind that was heard since so many events."""
        return [one for one in self._heard[since:] if isinstance(one, kind)]

    def last_refusal(self) -> str:
        """What was last told against it; nothing: it was silent."""
        told = [one.why for one in self._heard if isinstance(one, Rejected)]
        return f": {told[-1]}" if told else ""

    def number_heard(self) -> int:
        """How many events were heard up to now."""
        return len(self._heard)


# ---- the promises ------------------------------------------------------------------------------


def _tells(bout: _Bout) -> Iterator[str]:
    report = bout.report(False, ANSWER_S_MAX + LOAD_S_MAX)
    if report is None:
        yield f"it does not say that its contact is open{bout.last_refusal()}"
    elif bout.bench.closed():
        yield "it says that its contact is open, and it is closed"
    elif bout.plug.metered and report.power_w is None:
        yield "its profile reads power, and it says none"


def _obeys(bout: _Bout) -> Iterator[str]:
    lease_s, asked = bout.plug.lease_s, monotonic()
    bout.on(lease_s)
    report = bout.report(True)
    if report is None:
        yield f"after an ON it does not say that its contact is closed{bout.last_refusal()}"
        return
    if not bout.bench.closed():
        yield "it says that its contact is closed, and it is open"
    if lease_s is not None and bout.plug.timer_shown:
        left, gone_s = report.timer_s, monotonic() - asked
        # Half of it may be missing: of two minutes, told in whole ones, nearly one is.
        if left is None or not max(0.0, lease_s - gone_s) / 2 < left <= lease_s + 1:
            yield f"after an ON for {lease_s} s it says that {left} s of its timer are left"
    bout.perform(SwitchOff(NAME, "trial"))
    if bout.report(False) is None:
        yield f"after an OFF it does not say that its contact is open{bout.last_refusal()}"
    elif bout.bench.closed():
        yield "after an OFF it says that its contact is open, and it is closed"


def _opens_by_itself(bout: _Bout) -> Iterator[str]:
    lease_s = bout.short_s
    if lease_s is None:
        return
    bout.on(lease_s)
    if bout.report(True) is None:
        yield f"after an ON it does not say that its contact is closed{bout.last_refusal()}"
        return
    sleep(lease_s / 3)
    asked = monotonic()
    bout.on(lease_s, renewal=True)
    if bout.report(True) is None:
        yield f"after a renewal it does not say that its contact is closed{bout.last_refusal()}"
        return
    taken = monotonic()
    while bout.bench.closed() and monotonic() < taken + lease_s + SLACK_S:
        sleep(0.1)
    opened = monotonic()
    if bout.bench.closed():
        yield f"its own timer of {lease_s} s did not open it"
    elif opened < asked + lease_s - EARLY_S:
        yield "a renewal did not set its timer anew"


def _away(bout: _Bout) -> Iterator[str]:
    with bout.bench.cut():
        since = bout.number_heard()
        bout.perform(AskPlug(NAME))
        if not bout.away(since, ANSWER_S_MAX):
            yield "while nobody can reach it, it is not told that it is away"
        since = bout.number_heard()
        bout.on(bout.plug.lease_s)
        sleep(1.0)
        # Breaks off what is under way, so that the process is ended in the midst of it.
        bout.perform(SwitchOff(NAME, "trial"))
        sleep(1.0)
        if bout.said(PlugReport, since):
            yield "while nobody can reach it, it says how it is"
    since = bout.number_heard()
    if bout.report(False, ANSWER_S_MAX + LOAD_S_MAX) is None:
        yield f"it does not come back after it could not be reached{bout.last_refusal()}"
    if bout.bench.closed() or any(one.on for one in bout.said(PlugReport, since)):
        yield "an ON that was given while nobody could reach it was obeyed afterwards"


PROMISES: tuple[Callable[[_Bout], Iterator[str]], ...] = (_tells, _obeys, _opens_by_itself, _away)

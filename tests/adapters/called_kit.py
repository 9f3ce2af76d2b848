"""What the tests of plugs that are asked share: a clock set by hand, and a list for an inbox."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from threading import Condition

from carerules.adapters import Lane, Login, PlugProfile, load_plug_profile
from carerules.adapters.called import Called, CalledWires
from carerules.adapters.inbox import Read
from carerules.domain.decision import SwitchOn
from carerules.domain.event import Event, PlugLink, PlugReport, Rejected
from carerules.domain.moment import SECOND, Moment
from carerules.domain.pack import Plug

PATIENCE_S = 60.0
"""For what takes milliseconds on a quiet machine; never a measurement."""
P = "A-load"


def profile(name: str) -> PlugProfile:
    found = load_plug_profile(name)
    assert isinstance(found, PlugProfile), found
    return found


def http_plug(port: int) -> Plug:
    return Plug(P, "json-rpc-http", {"host": f"127.0.0.1:{port}", "channel": "0"})


def on(lease_s: int | None = 90, permit_at: Moment = 0) -> SwitchOn:
    return SwitchOn(P, lease_s, "job", permit_at, renewal=False)


class Ear:
    """All that was put, in order; the moment stands still until the test moves it, or goes on by
    `step` with each look at it."""

    def __init__(self) -> None:
        self.events: list[Event] = []
        self.at: Moment = 0
        self.step = 0
        self._some = Condition()

    def put(self, _lane: Lane, read: Read) -> None:
        with self._some:
            self.events += read(self.at)
            self._some.notify_all()

    def now(self) -> Moment:
        self.at += self.step
        return self.at

    def awaits(self, kind: type[Event], number: int = 1, **wanted: object) -> list[Event]:
        def found() -> list[Event]:
            return [
                e for e in self.events
                if isinstance(e, kind) and all(getattr(e, k) == v for k, v in wanted.items())
            ]  # fmt: skip

        with self._some:
            came = self._some.wait_for(lambda: len(found()) >= number, PATIENCE_S)
            assert came, f"no {number} x {kind.__name__} {wanted} in {self.events}"
            return found()

    def reports(self, number: int = 1, **wanted: object) -> PlugReport:
        last = self.awaits(PlugReport, number, **wanted)[-1]
        assert isinstance(last, PlugReport)
        return last

    def refused(self, words: str, number: int = 1) -> None:
        """Wait until a refusal holds these words."""

        def told() -> int:
            return sum(isinstance(e, Rejected) and words in e.why for e in self.events)

        with self._some:
            came = self._some.wait_for(lambda: told() >= number, PATIENCE_S)
            assert came, f"no refusal with `{words}` in {self.events}"

    def links(self) -> list[bool]:
        return [e.up for e in self.events if isinstance(e, PlugLink)]


@contextmanager
def wired(plug: Plug, ear: Ear, login: Login | None = None) -> Iterator[CalledWires]:
    logins = {} if login is None else {plug.name: login}
    called = Called({plug.name: plug}, {plug.profile: profile(plug.profile)}, logins)
    wires = CalledWires(called, ear.put, ear.now)
    wires.start()
    try:
        yield wires
    finally:
        wires.close()


LATE: Moment = 10 * SECOND

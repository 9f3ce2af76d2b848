"""Everything off with no service and no journal: what is said, and when, on wires played here."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from carerules.config import SiteFile, read_site_text
from carerules.domain.decision import Command, SwitchOff
from carerules.domain.event import Event, PlugLink, PlugReport
from carerules.domain.moment import SECOND, Moment
from carerules.service import off

SITE = """name = "boat shed"
zone = "UTC"
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
[station.A]
load = { plug = "A-load", power = "60 W" }
[plug.A-load]
profile = "generic-json"
topic = "shed/a-load"
[mqtt]
"""
UP: Moment = 2_900
"""When the broker is there: between a first try and the next."""


class Wires:
    """A broker that is there after a while, and a plug that does as it is told and says so."""

    lost = None

    def __init__(self) -> None:
        self.at: Moment = 0
        self.came: list[Event] = []
        self.said: list[tuple[Moment, bool]] = []

    def start(self) -> None: ...

    def close(self) -> None: ...

    def now(self) -> Moment:
        return self.at

    def perform(self, command: Command) -> None:
        arrives = self.at >= UP
        self.said.append((self.at, arrives))
        if arrives and isinstance(command, SwitchOff):
            self.came.append(PlugReport(self.at + 1, "A-load", False, 0.0, None))

    def wait(self, due: Moment) -> Sequence[Event]:
        if self.at < UP <= due:
            self.came.append(PlugLink(UP, "A-load", up=True))
        self.at, came, self.came = due, self.came, []
        return came


def test_off_goes_out_when_the_broker_is_there_and_not_at_the_next_try(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Without the news that it is there, it would be said again five seconds after the first."""
    site = read_site_text(SITE, "site.toml")
    assert isinstance(site, SiteFile), site
    wires = Wires()
    monkeypatch.setattr(off, "RealOutside", lambda *_, **__: wires)
    assert off.bring_all_off(site, 12 * SECOND, "a test").proven == ("A-load",)
    first = next(at for at, arrived in wires.said if arrived)
    assert first - UP <= 2 * off.LOOK_EVERY

"""Who comes to the broker beside the service does not end the service's connection."""

from __future__ import annotations

import pytest
from doors_kit import Broker, eventually
from fakeplug import FakePlug

from carerules.adapters import LineClock
from carerules.config import SiteFile, read_site_text
from carerules.domain.event import BESIDE, Event, PlugLink, Rejected
from carerules.domain.moment import SECOND
from carerules.service.checkup import _listened
from carerules.service.off import bring_all_off
from carerules.service.outside import RealOutside

SITE = """name = "boat shed"
zone = "UTC"
rules = []
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
[station.A]
load = {{ plug = "A-load", power = "60 W" }}
[plug.A-load]
profile = "generic-json"
topic = "shed/a-load"
[mqtt]
port = {port}
client_id = "shed-service"
"""


@pytest.mark.parametrize("visit", ["stop", "doctor"])
def test_a_command_beside_the_service_does_not_cut_it_off(broker: Broker, visit: str) -> None:
    site = read_site_text(SITE.format(port=broker.port), "site.toml")
    assert isinstance(site, SiteFile)
    plug = FakePlug(broker.port, "shed/a-load")
    service, heard = RealOutside(site, LineClock(), serves=True), list[Event]()
    service.start()

    def links() -> list[bool]:
        heard.extend(service.inbox.take(0))
        return [event.up for event in heard if isinstance(event, PlugLink)]

    def said() -> list[tuple[str, str]]:
        links()
        return [(event.origin, event.why) for event in heard if isinstance(event, Rejected)]

    try:
        assert plug.ready.wait(60)
        eventually(lambda: True in links(), "the service is up")
        if visit == "stop":
            report = bring_all_off(site, 10 * SECOND, "kit", beside=True)
            assert report.proven == ("A-load",)
            eventually(lambda: bool(said()), "the service has heard of it")
            assert set(said()) == {(BESIDE, "says OFF to plug `A-load` itself")}
        else:
            assert set(_listened(site, LineClock()).reports) == {"A-load"}
        assert False not in links()
        log = (broker.folder / "log").read_text()
        assert "shed-service-out" in log, "the service has the name of the site file"
        assert "already connected" not in log
    finally:
        service.close()
        plug.close()

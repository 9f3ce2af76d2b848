"""The wires over TLS, on a real broker: who shows the right certificate is spoken to, nobody else.

The facts held here against: RFC 5280 (validity), RFC 6125 (host names), RFC 8446 4.4.2 (a server
may ask for a client's certificate), mosquitto.conf(5) (`cafile`, `require_certificate`).
"""

from __future__ import annotations

import json
import signal
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner
from doors_kit import Broker, eventually
from test_mqtt_wires import Listener
from tls_kit import Authority, Signed

from carerules.adapters import AddressError, MqttAddress
from carerules.cli import main
from carerules.domain.event import Rejected

# The library lets go of a socket whose handshake failed without closing it; it is closed when it is
# collected, which is at once.
pytestmark = pytest.mark.filterwarnings(
    "ignore:Exception ignored in. <ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning"
)


class Pki:
    """Ours, a stranger's, and what they sign."""

    def __init__(self, folder: Path) -> None:
        self.ours, self.theirs = Authority(folder, "ours"), Authority(folder, "theirs")
        self.broker = self.ours.sign("broker", "localhost", "127.0.0.1")
        self.elsewhere = self.ours.sign("elsewhere", "broker.elsewhere.example")
        self.old = self.ours.sign("old", "localhost", "127.0.0.1", expired=True)
        self.client = self.ours.sign("carerules", client=True)
        self.stranger = self.theirs.sign("stranger", client=True)
        self.old_client = self.ours.sign("old-client", client=True, expired=True)


@pytest.fixture(scope="module")
def pki(tmp_path_factory: pytest.TempPathFactory) -> Pki:
    return Pki(tmp_path_factory.mktemp("pki"))


@contextmanager
def broker(folder: Path, pki: Pki, shows: Signed, *, asks: bool = False) -> Iterator[Broker]:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    lines = ["allow_anonymous true", f"certfile {shows.certificate}", f"keyfile {shows.key}"]
    if asks:
        lines += ["require_certificate true", f"cafile {pki.ours.file}"]
    running = Broker(folder, port, tuple(lines))
    running.start()
    try:
        yield running
    finally:
        running.stop(signal.SIGKILL)


def address(port: int, ca: Path | None, client: Signed | None = None) -> MqttAddress:
    return MqttAddress(
        "127.0.0.1", port, tls=True, ca_file=ca,
        cert_file=None if client is None else client.certificate,
        key_file=None if client is None else client.key,
    )  # fmt: skip


def refused(to: MqttAddress, said: str) -> str:
    """What the site hears of a connection that is not made; never a link."""
    site = Listener(to)
    try:
        eventually(lambda: said in site.refusals(), f"it is said: {said}")
        assert site.links() == []
        told = [one for one in site.all(Rejected) if said in one.why]
    finally:
        site.wires.close()
    assert all(one.origin == to.show() for one in told)
    assert all("\n" not in one.why and len(one.why) < 200 for one in told)
    return told[0].why


def accepted(to: MqttAddress) -> None:
    site = Listener(to)
    try:
        eventually(lambda: site.links() == [True], "the plug's link is up")
        assert site.refusals() == ""
    finally:
        site.wires.close()


def test_a_broker_that_our_authority_signed_is_spoken_to(tmp_path: Path, pki: Pki) -> None:
    with broker(tmp_path, pki, pki.broker) as running:
        accepted(address(running.port, pki.ours.file))


@pytest.mark.parametrize("authority", ["theirs", "the system's"])
def test_a_broker_that_nobody_we_trust_signed_is_refused(
    tmp_path: Path, pki: Pki, authority: str
) -> None:
    with broker(tmp_path, pki, pki.broker) as running:
        ca = pki.theirs.file if authority == "theirs" else None
        why = refused(address(running.port, ca), "certificate does not hold")
    assert "unable to get local issuer certificate" in why
    assert "`ca_file`" in why


def test_a_certificate_of_another_host_is_refused(tmp_path: Path, pki: Pki) -> None:
    with broker(tmp_path, pki, pki.elsewhere) as running:
        why = refused(address(running.port, pki.ours.file), "certificate does not hold")
    assert "IP address mismatch" in why
    assert "`host`" in why


def test_a_certificate_that_has_expired_is_refused(tmp_path: Path, pki: Pki) -> None:
    with broker(tmp_path, pki, pki.old) as running:
        why = refused(address(running.port, pki.ours.file), "certificate does not hold")
    assert "certificate has expired" in why


def test_a_broker_that_asks_for_a_certificate_gets_ours(tmp_path: Path, pki: Pki) -> None:
    with broker(tmp_path, pki, pki.broker, asks=True) as running:
        accepted(address(running.port, pki.ours.file, pki.client))


@pytest.mark.parametrize("shown", [None, "stranger", "old_client"])
def test_a_broker_that_asks_lets_nobody_else_in_and_we_say_so(
    tmp_path: Path, pki: Pki, shown: str | None
) -> None:
    client = None if shown is None else getattr(pki, shown)
    with broker(tmp_path, pki, pki.broker, asks=True) as running:
        why = refused(address(running.port, pki.ours.file, client), "ends the connection")
    assert "`cert_file`" in why


def test_a_broker_that_speaks_tls_is_not_spoken_to_in_clear(tmp_path: Path, pki: Pki) -> None:
    with broker(tmp_path, pki, pki.broker) as running:
        why = refused(MqttAddress("127.0.0.1", running.port), "ends the connection")
    assert "`tls = true`" in why


def test_a_broker_in_clear_is_not_spoken_to_where_tls_is_wanted(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    running = Broker(tmp_path, port, ("allow_anonymous true",))
    running.start()
    try:
        refused(address(port, None), "no TLS with the broker")
    finally:
        running.stop(signal.SIGKILL)


def test_a_certificate_of_ours_that_is_none_is_refused_before_any_connection(
    tmp_path: Path, pki: Pki
) -> None:
    none = tmp_path / "none.pem"
    none.write_text("no certificate\n")
    for wrong in (
        address(1, none),
        address(1, tmp_path / "nowhere.pem"),
        address(1, pki.ours.file, Signed(pki.client.certificate, pki.stranger.key)),
    ):
        with pytest.raises(AddressError, match="certificate and key files in PEM form"):
            Listener(wrong)


SITE = """\
name = "shed"
zone = "Europe/Lisbon"
[mqtt]
host = "127.0.0.1"
port = {port}
tls = true
ca_file = "{ca}"
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
[plug.A]
profile = "generic-json"
topic = "shed/a"
[station.A]
load = {{ plug = "A", power = "60 W" }}
"""


def test_the_doctor_says_that_the_brokers_certificate_does_not_hold(
    tmp_path: Path, pki: Pki
) -> None:
    with broker(tmp_path, pki, pki.broker) as running:
        site = tmp_path / "site.toml"
        site.write_text(SITE.format(port=running.port, ca=pki.theirs.file), "utf-8")
        shown = CliRunner().invoke(main, ["doctor", str(site), "--json"], catch_exceptions=False)
    assert shown.exit_code == 1
    (said,) = [one for one in json.loads(shown.output)["findings"] if one["about"] == "broker"]
    assert said["state"] == "wrong"
    assert "certificate does not hold" in said["text"]

"""The access list that ships, on a real broker: only carerules switches a plug."""

from __future__ import annotations

import shutil
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path
from threading import Event
from typing import Any

import pytest
from doors_kit import Broker
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from ports_kit import free_port

ROOT = Path(__file__).resolve().parents[2]
ACL = ROOT / "integrations" / "broker" / "access.acl"
CONF = ROOT / "integrations" / "broker" / "mosquitto.conf"
LOGINS = ("carerules", "a-load", "b-load", "heron", "viewer", "hub")
PATIENCE_S = 60.0


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    folder = tmp_path_factory.mktemp("guarded")
    maker = shutil.which("mosquitto_passwd")
    assert maker, "these tests need mosquitto_passwd, which comes with mosquitto"
    passwords, acl = folder / "passwords", folder / "access.acl"
    passwords.touch(0o600)
    for login in LOGINS:
        subprocess.run([maker, "-b", passwords, login, f"word-of-{login}"], check=True)
    shutil.copy(ACL, acl)
    acl.chmod(0o600)
    # The example as it ships, but for the address and the folder of the two files.
    told = CONF.read_text("utf-8").replace("/etc/mosquitto", str(folder)).splitlines()
    lines = [line for line in told if not line.startswith(("#", "listener"))]
    running = Broker(folder, free_port(), tuple(lines))
    running.start()
    yield running
    running.stop(signal.SIGKILL)


class Login:
    """A client that has logged in; MQTT 5, so that the broker says why it refuses."""

    def __init__(self, broker: Broker, name: str | None, word: str | None = None) -> None:
        self._answered, self._up, self._heard = Event(), Event(), Event()
        self.reason: Any = None
        self.heard: list[tuple[str, bytes]] = []
        client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        if name is not None:
            client.username_pw_set(name, word or f"word-of-{name}")
        client.on_connect = self._on_connect
        client.on_publish = self._on_answer
        client.on_subscribe = self._on_subscribed
        client.on_message = self._on_message
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        self.client = client
        assert self._up.wait(PATIENCE_S)

    def _on_connect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _: Any) -> None:
        self.accepted = not reason.is_failure
        self._up.set()

    def _on_answer(self, _client: Any, _data: Any, _number: Any, reason: Any, _: Any) -> None:
        self.reason = reason
        self._answered.set()

    def _on_subscribed(self, _client: Any, _data: Any, _number: Any, reasons: Any, _: Any) -> None:
        self.reason = reasons[0]
        self._answered.set()

    def _on_message(self, _client: Any, _data: Any, message: Any) -> None:
        self.heard.append((message.topic, message.payload))
        self._heard.set()

    def may_say(self, topic: str, payload: bytes = b"{}") -> bool:
        self._answered.clear()
        self.client.publish(topic, payload, qos=1)
        assert self._answered.wait(PATIENCE_S)
        return not self.reason.is_failure

    def hears(self, within_s: float = PATIENCE_S) -> bool:
        return self._heard.wait(within_s)

    def listen(self, topic: str) -> None:
        self._answered.clear()
        self.client.subscribe(topic, qos=1)
        assert self._answered.wait(PATIENCE_S)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def login(guarded: Broker) -> Iterator[Any]:
    open_ones: list[Login] = []

    def made(name: str | None, word: str | None = None) -> Login:
        open_ones.append(Login(guarded, name, word))
        return open_ones[-1]

    yield made
    for one in open_ones:
        one.close()


@pytest.mark.parametrize("topic", ["shed/a-load/set", "shed/a-load/get"])
@pytest.mark.parametrize(
    ("name", "allowed"),
    [("carerules", True), *((one, False) for one in LOGINS if one != "carerules")],
)
def test_only_carerules_may_command_a_plug(
    login: Any, name: str, topic: str, allowed: bool
) -> None:
    assert login(name).may_say(topic) is allowed


@pytest.mark.parametrize(
    ("name", "topic", "allowed"),
    [
        ("a-load", "shed/a-load/state", True),
        ("a-load", "shed/a-load/link", True),
        ("b-load", "shed/a-load/state", False),  # it would pass for another plug's read-back
        ("carerules", "shed/a-load/state", False),
        ("heron", "packs/heron/telemetry", True),
        ("heron", "packs/egret/telemetry", False),
        ("viewer", "packs/heron/telemetry", False),
    ],
)
def test_each_speaks_for_itself_only(login: Any, name: str, topic: str, allowed: bool) -> None:
    assert login(name).may_say(topic) is allowed


def test_a_refused_command_reaches_no_plug_and_carerules_own_does(login: Any) -> None:
    plug = login("a-load")
    plug.listen("shed/a-load/set")
    assert not login("viewer").may_say("shed/a-load/set", b"a stranger's")
    assert login("carerules").may_say("shed/a-load/set", b"ours")
    assert plug.hears()
    assert plug.heard == [("shed/a-load/set", b"ours")]


def test_a_plug_does_not_hear_another_ones_commands(login: Any) -> None:
    other, plug = login("b-load"), login("a-load")
    other.listen("shed/#")
    plug.listen("shed/a-load/set")
    assert login("carerules").may_say("shed/a-load/set", b"ours")
    assert plug.hears()
    assert other.heard == []


@pytest.mark.parametrize(("name", "word"), [(None, None), ("carerules", "guessed"), ("eve", "x")])
def test_a_stranger_is_not_let_in(login: Any, name: str | None, word: str | None) -> None:
    assert not login(name, word).accepted


HUB_SAYS = [
    ("carerules/hub/shed/site/stop/set", {"carerules", "hub"}),
    ("homie/5/carerules-shed/control/stop/set", {"carerules", "hub"}),
    ("homeassistant/status", {"hub"}),
    ("carerules/hub/shed/link", {"carerules"}),
    ("carerules/hub/shed/pack-heron/charge", {"carerules"}),
    ("homeassistant/device/carerules-shed/config", {"carerules"}),
    ("homie/5/carerules-shed/$state", {"carerules"}),
    ("shed/a-load/set", {"carerules"}),
]


@pytest.mark.parametrize(("topic", "allowed"), HUB_SAYS, ids=[topic for topic, _ in HUB_SAYS])
def test_a_hub_presses_what_it_is_offered_and_nothing_else(
    guarded: Broker, topic: str, allowed: set[str]
) -> None:
    for name in ("carerules", "hub", "viewer", "heron", "a-load"):
        login = Login(guarded, name)
        assert login.may_say(topic) == (name in allowed), name
        login.close()

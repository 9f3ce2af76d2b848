"""The wires on a real broker. The facts held here against: MQTT 5.0 (OASIS), and mosquitto 2."""

from __future__ import annotations

import gc
import signal
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from threading import Event as Flag
from typing import Any, TypeVar

import pytest
from doors_kit import PLUGS, Broker, Way, eventually
from fakeplug import FakePlug
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from carerules.adapters import (
    AddressError,
    Feed,
    Inbox,
    Lane,
    LineClock,
    MqttAddress,
    Topics,
    load_feed_profile,
    load_plug_profile,
    topics_of,
)
from carerules.adapters.broker import STOP_MARK
from carerules.adapters.feed import FeedProfile
from carerules.adapters.mqtt import ECHOES_LOST_MAX, MqttWires, Wiring
from carerules.adapters.profile import PlugProfile
from carerules.domain.decision import AskPlug, Command, SwitchOff, SwitchOn
from carerules.domain.event import BESIDE, Event, PlugLink, PlugReport, Rejected, Sample
from carerules.domain.moment import Moment
from carerules.domain.signal import catalogue

E_ = TypeVar("E_")
TOPIC = "bench/plug-1"
PATIENCE_S = 60.0
"""For what takes milliseconds on a quiet machine; never a measurement."""


def wiring() -> Wiring:
    plug, feed = load_plug_profile("generic-json"), load_feed_profile("generic-json")
    assert isinstance(plug, PlugProfile)
    assert isinstance(feed, FeedProfile)
    feeds = [Feed("bench", "generic-json", {"topic": "bench/heron"}, "heron")]
    topics = topics_of(PLUGS, {"generic-json": plug}, feeds, {"generic-json": feed}, catalogue())
    assert isinstance(topics, Topics)
    return Wiring(PLUGS, {"generic-json": plug}, topics)


class Listener:
    """The wires of one site, and everything heard on them so far."""

    def __init__(self, address: MqttAddress) -> None:
        self.clock = LineClock()
        self.inbox = Inbox(self.clock)
        self.heard: list[Event] = []
        self.stands_at: Moment | None = None
        """The moment at which the wires' clock stands still; None: it goes."""
        self.wires = MqttWires(address, wiring(), self.inbox.put, self.now, self.clock.offset)
        self.wires.start()

    def now(self) -> int:
        return self.clock.now() if self.stands_at is None else self.stands_at

    def all(self, kind: type[E_]) -> list[E_]:
        self.heard += self.inbox.take(0)
        return [event for event in self.heard if isinstance(event, kind)]

    def links(self) -> list[bool]:
        return [link.up for link in self.all(PlugLink)]

    def refusals(self) -> str:
        return "\n".join(f"{event.origin}: {event.why}" for event in self.all(Rejected))

    def perform(self, command: Command) -> None:
        self.wires.perform(command)

    def switch_on(self, age_ms: int = 0, lease_s: int = 90) -> None:
        permit = self.now() - age_ms
        self.perform(SwitchOn("A-load", lease_s, "job", permit, renewal=False))


@pytest.fixture
def address(broker: Broker) -> MqttAddress:
    return MqttAddress(port=broker.port)


@pytest.fixture
def listener(address: MqttAddress) -> Iterator[Listener]:
    made = Listener(address)
    yield made
    made.wires.close()


@pytest.fixture
def plug(broker: Broker) -> Iterator[FakePlug]:
    made = FakePlug(broker.port, TOPIC)
    assert made.ready.wait(PATIENCE_S)
    yield made
    made.close()


@pytest.fixture
def other(broker: Broker) -> Iterator[Client]:
    """Another party on the broker."""
    client = Client(CallbackAPIVersion.VERSION2, "other", protocol=MQTTProtocolVersion.MQTTv5)
    up = Flag()
    client.on_connect = lambda *_: up.set()
    client.connect("127.0.0.1", broker.port, 10)
    client.loop_start()
    assert up.wait(PATIENCE_S)
    yield client
    client.disconnect()
    client.loop_stop()


def say(client: Client, topic: str, payload: str | bytes, **options: Any) -> None:
    said = client.publish(topic, payload, 1, **options)
    said.wait_for_publish(PATIENCE_S)
    assert said.is_published(), topic


def last_report(listener: Listener) -> PlugReport | None:
    return next(iter(reversed(listener.all(PlugReport))), None)


def test_on_and_off_go_there_and_come_back(listener: Listener, plug: FakePlug) -> None:
    eventually(lambda: listener.links()[-1:] == [True], "the link is up")
    listener.switch_on()
    eventually(lambda: bool(listener.all(PlugReport)), "the plug reports")
    report = last_report(listener)
    assert report is not None
    assert (report.on, report.power_w, report.timer_s) == (True, 58.0, 90.0)
    listener.perform(SwitchOff("A-load", "test"))
    eventually(lambda: len(listener.all(PlugReport)) > 1, "the plug reports again")
    report = last_report(listener)
    assert report is not None
    assert (report.on, report.power_w) == (False, 0.0)
    assert plug.obeyed == [b'{"on": true, "for_s": 90}', b'{"on": false}']
    assert plug.retained == []


def test_a_plug_answers_when_asked(listener: Listener, plug: FakePlug) -> None:
    eventually(lambda: listener.links()[-1:] == [True], "the link is up")
    listener.perform(AskPlug("A-load"))
    eventually(lambda: bool(listener.all(PlugReport)), "the plug reports")
    assert plug.obeyed == []


def test_moments_never_run_backwards(listener: Listener, plug: FakePlug, other: Client) -> None:
    eventually(lambda: listener.links()[-1:] == [True], "the link is up")
    for _ in range(20):
        say(other, "bench/heron/telemetry", '{"voltage": 15.2}')
        listener.perform(AskPlug("A-load"))
    eventually(lambda: len(listener.all(Sample)) == 20, "all samples are heard")
    eventually(lambda: len(listener.all(PlugReport)) == 20, "all reports are heard")
    stamps = [event.heard for event in listener.heard]
    assert stamps == sorted(stamps)


def test_a_retained_command_is_seen_and_left_by_default(
    address: MqttAddress, other: Client
) -> None:
    say(other, f"{TOPIC}/set", '{"on": true}', retain=True)
    listener = Listener(address)
    try:
        eventually(lambda: "a retained command" in listener.refusals(), "it is reported")
        assert "clear it" in listener.refusals()
        assert retained(other, f"{TOPIC}/set") == b'{"on": true}'
    finally:
        listener.wires.close()


def test_a_retained_command_is_cleared_where_the_site_says_so(
    broker: Broker, other: Client
) -> None:
    say(other, f"{TOPIC}/set", '{"on": true}', retain=True)
    listener = Listener(MqttAddress(port=broker.port, clear_retained=True))
    try:
        eventually(lambda: "a retained command" in listener.refusals(), "it is reported")
        eventually(lambda: retained(other, f"{TOPIC}/set") is None, "it is gone")
    finally:
        listener.wires.close()


def retained(client: Client, topic: str) -> bytes | None:
    """What the broker remembers on a topic, asked by a fresh subscription."""
    found: list[bytes] = []
    done = Flag()
    client.on_message = lambda _c, _d, m: (
        done.set() if m.topic == "marker" else found.append(m.payload) if m.retain else None
    )
    client.subscribe([(topic, 1), ("marker", 1)])
    say(client, "marker", "x")
    assert done.wait(PATIENCE_S)
    client.unsubscribe([topic, "marker"])
    return found[0] if found else None


def test_another_sender_is_reported(listener: Listener, plug: FakePlug, other: Client) -> None:
    eventually(lambda: listener.links()[-1:] == [True], "the link is up")
    listener.switch_on()
    eventually(lambda: plug.on, "the plug is on")
    assert "somebody else" not in listener.refusals()  # our own commands do not come back

    def said() -> bool:
        say(other, f"{TOPIC}/set", '{"on": true, "for_s": 9999}')
        return "somebody else commands plug `A-load`" in listener.refusals()

    eventually(said, "a report")


def marked() -> Properties:
    """As `carerules stop` marks what it sends, which anybody may."""
    properties = Properties(PacketTypes.PUBLISH)
    properties.UserProperty = STOP_MARK
    return properties


@pytest.mark.parametrize(
    ("topic", "payload", "heard"),
    [
        ("set", '{"on": false}', f"{BESIDE}: says OFF to plug `A-load` itself"),
        ("set", '{"on": true, "for_s": 9999}', "somebody else commands plug `A-load`"),
        ("set", '{"on": false, "on": true}', "somebody else commands plug `A-load`"),
        ("set", '{"on": false} ', "somebody else commands plug `A-load`"),
    ],
)
def test_nothing_but_an_off_passes_for_a_persons_stop(
    listener: Listener, other: Client, topic: str, payload: str, heard: str
) -> None:
    eventually(lambda: listener.links()[-1:] == [True], "the link is up")

    def said() -> bool:
        # Again and again: the link is up a moment before the broker knows what we listen to.
        say(other, f"{TOPIC}/{topic}", payload, properties=marked())
        return heard in listener.refusals()

    eventually(said, "it is heard")
    wrong = "somebody else" if BESIDE in heard else BESIDE
    assert wrong not in listener.refusals()


def test_a_retained_command_is_one_whatever_mark_it_has(broker: Broker, other: Client) -> None:
    say(other, f"{TOPIC}/set", '{"on": false}', retain=True, properties=marked())
    made = Listener(MqttAddress(port=broker.port))
    try:
        eventually(lambda: "a retained command" in made.refusals(), "it is reported")
        assert BESIDE not in made.refusals()
    finally:
        made.wires.close()


@pytest.fixture
def way(broker: Broker) -> Iterator[Way]:
    made = Way(broker.port)
    yield made
    made.close()


@pytest.fixture
def far(way: Way) -> Iterator[Listener]:
    """Wires that reach the broker over a way that can be cut; the plug is on the broker's side."""
    made = Listener(MqttAddress(port=way.port))
    yield made
    made.wires.close()


def off_arrives_alone(listener: Listener, plug: FakePlug) -> None:
    """Send an OFF: it comes after whatever was kept, so that what was kept would show before it."""
    eventually(lambda: listener.links()[-1:] == [True], "the link is up again")
    listener.perform(SwitchOff("A-load", "test"))
    eventually(lambda: b'{"on": false}' in plug.obeyed, "the OFF arrives")
    assert plug.obeyed == [b'{"on": false}']


def test_an_on_given_while_the_way_is_cut_is_never_delivered(
    way: Way, far: Listener, plug: FakePlug
) -> None:
    eventually(lambda: far.links()[-1:] == [True], "the link is up")
    way.cut()
    eventually(lambda: far.links()[-1:] == [False], "the link is down")
    eventually(lambda: not far.wires._commanding.is_up, "the commanding line has noticed")
    before = len(far.links())
    for _ in range(30):  # more than the library sends at once, so that it would queue some
        far.switch_on()
    assert far.links()[before:] == [False] * 30
    way.mend()
    off_arrives_alone(far, plug)


def test_an_on_that_was_lost_on_the_way_is_not_sent_again(
    way: Way, far: Listener, plug: FakePlug
) -> None:
    eventually(lambda: far.links()[-1:] == [True], "the link is up")
    way.swallowing = True
    far.switch_on()
    assert far.links()[-1:] == [True]  # it went out, as far as anybody can know
    way.cut()
    eventually(lambda: far.links()[-1:] == [False], "the link is down")
    way.mend()
    off_arrives_alone(far, plug)


def test_an_on_given_while_the_broker_is_down_is_never_delivered(
    broker: Broker, listener: Listener, plug: FakePlug
) -> None:
    eventually(lambda: listener.links()[-1:] == [True], "the link is up")
    broker.stop(signal.SIGKILL)
    eventually(lambda: listener.links()[-1:] == [False], "the link is down")
    listener.switch_on()
    plug.ready.clear()
    broker.start()
    assert plug.ready.wait(PATIENCE_S)
    off_arrives_alone(listener, plug)


def test_a_broker_that_does_not_acknowledge_is_given_no_second_on(
    broker: Broker, listener: Listener, plug: FakePlug
) -> None:
    eventually(lambda: listener.links()[-1:] == [True], "the link is up")
    assert broker.process is not None
    broker.process.send_signal(signal.SIGSTOP)
    listener.stands_at = listener.now()
    try:
        listener.switch_on(lease_s=61)
        listener.switch_on(lease_s=62)  # at once after it: nothing is known to be wrong yet
        assert "does not acknowledge" not in listener.refusals()
        listener.stands_at += 2_100
        listener.switch_on(lease_s=63)
        assert "does not acknowledge" in listener.refusals()
        listener.perform(SwitchOff("A-load", "test"))  # an OFF is never held back
    finally:
        listener.stands_at = None
        broker.process.send_signal(signal.SIGCONT)
    eventually(lambda: b'{"on": false}' in plug.obeyed, "the OFF arrives")
    assert [b"63" in obeyed for obeyed in plug.obeyed] == [False, False, False]

    def asked_again() -> bool:  # the last acknowledgement may come in after the OFF has arrived
        listener.switch_on(lease_s=64)
        return plug.on

    eventually(asked_again, "it goes on once the broker acknowledges again")


def test_no_more_commands_are_in_flight_than_the_library_sends_at_once(
    broker: Broker, listener: Listener, plug: FakePlug
) -> None:
    eventually(lambda: listener.links()[-1:] == [True], "the link is up")
    assert broker.process is not None
    broker.process.send_signal(signal.SIGSTOP)
    listener.stands_at = listener.now()
    try:
        for _ in range(30):
            listener.switch_on()
        assert "does not acknowledge" in listener.refusals()
    finally:
        listener.stands_at = None
        broker.process.send_signal(signal.SIGCONT)
    listener.perform(SwitchOff("A-load", "test"))
    eventually(lambda: b'{"on": false}' in plug.obeyed, "the OFF arrives")
    assert len(plug.obeyed) == 17


def test_an_old_permit_is_not_sent(listener: Listener, plug: FakePlug) -> None:
    eventually(lambda: listener.links()[-1:] == [True], "the link is up")
    listener.switch_on(age_ms=9_500)
    listener.perform(AskPlug("A-load"))
    eventually(lambda: bool(listener.all(PlugReport)), "the plug reports")
    assert "an ON that is 10 s old is not sent" in listener.refusals()
    assert plug.obeyed == []


def test_the_link_follows_the_plug_and_its_will(
    broker: Broker, listener: Listener, plug: FakePlug, other: Client
) -> None:
    eventually(lambda: listener.links()[-1:] == [True], "the link is up")
    say(other, f"{TOPIC}/link", "offline", retain=True)
    eventually(lambda: listener.links()[-1:] == [False], "the plug is said to be away")


def test_a_plug_that_was_away_before_us_is_away_at_the_end(
    address: MqttAddress, other: Client
) -> None:
    say(other, f"{TOPIC}/link", "offline", retain=True)
    listener = Listener(address)
    try:
        eventually(lambda: True in listener.links(), "we are up")
        eventually(lambda: listener.links()[-1:] == [False], "its retained word is heard last")
    finally:
        listener.wires.close()


def test_a_retained_state_is_no_report(address: MqttAddress, plug: FakePlug) -> None:
    plug.on = True
    said = plug.say_state(retain=True)
    eventually(said.is_published, "it lies at the broker before we come")
    listener = Listener(address)
    try:
        eventually(lambda: "retained" in listener.refusals(), "it is refused")
        assert listener.all(PlugReport) == []
    finally:
        listener.wires.close()


def come_back(listener: Listener, number: int) -> None:
    """Messages to ourselves, each waited for; one that is said before the broker knows that we
    listen is lost."""

    def first() -> bool:
        listener.wires.echo()
        return listener.wires._echoed

    eventually(first, "one comes back")
    for _ in range(number):
        listener.wires.echo()
        eventually(lambda: listener.wires._unheard == 0, "it comes back")


def echoes(listener: Listener, number: int) -> None:
    """Messages to ourselves that nobody hears."""
    for _ in range(number):
        listener.wires.echo()


def test_a_line_that_hears_itself_is_not_deaf(listener: Listener) -> None:
    eventually(lambda: listener.links()[-1:] == [True], "the link is up")
    come_back(listener, ECHOES_LOST_MAX + 5)
    assert not listener.wires.deaf, "what came back is counted"
    assert "ourselves" not in listener.refusals()


def test_a_line_that_no_longer_hears_itself_is_deaf(
    listener: Listener, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The connection is up; what comes on it reaches nobody any more."""
    eventually(lambda: listener.links()[-1:] == [True], "the link is up")
    come_back(listener, 3)
    deafened = listener.wires._hearing
    monkeypatch.setattr(deafened, "_told", replace(deafened._told, message=lambda *_: None))
    echoes(listener, ECHOES_LOST_MAX)
    assert not listener.wires.deaf, "so many may be lost"
    echoes(listener, 1)
    assert listener.wires.deaf
    assert "4 messages to ourselves in a row have not come back" in listener.refusals()


def test_a_broker_that_never_lets_it_through_is_not_judged(
    listener: Listener, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(listener.wires._hearing, "publish", lambda *_, **__: None)
    eventually(lambda: listener.links()[-1:] == [True], "the link is up")
    echoes(listener, ECHOES_LOST_MAX + 3)
    assert listener.wires._unheard == ECHOES_LOST_MAX + 3, "all are on their way"
    assert not listener.wires.deaf


def test_without_a_connection_it_is_not_deaf_but_down(broker: Broker, listener: Listener) -> None:
    eventually(lambda: listener.links()[-1:] == [True], "the link is up")
    come_back(listener, 2)
    broker.stop()
    eventually(lambda: listener.links()[-1:] == [False], "the link is down")
    echoes(listener, ECHOES_LOST_MAX + 3)
    assert not listener.wires.deaf


def test_a_callback_that_fails_does_not_end_the_line(
    address: MqttAddress, other: Client, plug: FakePlug
) -> None:
    listener = Listener(address)
    try:
        eventually(lambda: listener.links()[-1:] == [True], "the link is up")
        real = listener.inbox.put

        def failing(lane: Lane, read: Any) -> None:
            if lane is Lane.SAMPLE:
                raise RuntimeError("planted")
            real(lane, read)

        listener.wires._put = failing
        say(other, "bench/heron/telemetry", '{"voltage": 15.2}')
        eventually(lambda: "a callback failed: `planted`" in listener.refusals(), "it is told")
        listener.wires._put = real
        say(other, "bench/heron/telemetry", '{"voltage": 15.3}')
        eventually(lambda: bool(listener.all(Sample)), "the line still hears")
    finally:
        listener.wires.close()


def test_a_wrong_password_is_told(tmp_path: Path, broker: Broker) -> None:
    broker.stop()
    secrets = tmp_path / "passwords"
    secrets.touch(0o600)
    broker.lines = ("allow_anonymous false", f"password_file {secrets}")
    broker.start()
    password = tmp_path / "password"
    password.write_text("not-it\n")
    password.chmod(0o600)
    address = MqttAddress(port=broker.port, username="carerules", password_file=password)
    listener = Listener(address)
    try:
        eventually(lambda: "the broker refuses" in listener.refusals(), "it is told")
        assert listener.links() == []
        assert "not-it" not in repr(listener.heard)
    finally:
        listener.wires.close()


CERTIFICATES = Path(__file__).parent / "data"


# The library leaves a socket whose handshake failed to the collector, which complains of it.
@pytest.mark.filterwarnings(
    r"ignore:Exception ignored in. <ssl\.SSLSocket:pytest.PytestUnraisableExceptionWarning"
)
@pytest.mark.parametrize(
    ("shown", "believed", "told"),
    [
        ("broker", "broker", None),
        ("broker", None, "certificate does not hold"),  # the system does not know who signed it
        ("broker", "other", "certificate does not hold"),
        ("other", "other", "certificate does not hold"),  # signed as it should be, for another name
    ],
)
def test_a_broker_that_cannot_show_who_it_is_hears_nothing(
    tmp_path: Path, broker: Broker, shown: str, believed: str | None, told: str | None
) -> None:
    """A password goes only to the broker that the certificate names: RFC 8446, RFC 9525."""
    broker.stop()
    files = (f"certfile {CERTIFICATES / shown}.pem", f"keyfile {CERTIFICATES / shown}.key")
    broker.lines = ("allow_anonymous true", *files)
    broker.start()
    password = tmp_path / "password"
    password.write_text("let me in\n")
    password.chmod(0o600)
    listener = Listener(
        MqttAddress(
            port=broker.port, tls=True, username="carerules", password_file=password,
            ca_file=None if believed is None else CERTIFICATES / f"{believed}.pem",
        )
    )  # fmt: skip
    try:
        if told is None:
            eventually(lambda: listener.links() == [True], "the link is up")
        else:
            eventually(lambda: told in listener.refusals(), "it is told")
            assert listener.links() == []
        assert "let me in" not in repr(listener.heard)
    finally:
        listener.wires.close()
        gc.collect()  # here, and not in a test that cannot help it


def test_a_broker_that_is_not_there_is_told(broker: Broker) -> None:
    broker.stop()
    listener = Listener(MqttAddress(port=broker.port))
    try:
        eventually(lambda: "no connection" in listener.refusals(), "it is told")
    finally:
        listener.wires.close()


def test_an_open_password_file_is_refused(tmp_path: Path) -> None:
    password = tmp_path / "password"
    password.write_text("secret\n")
    password.chmod(0o644)
    with pytest.raises(AddressError, match="mode 0644, wanted 0600"):
        Listener(MqttAddress(port=1, username="carerules", password_file=password))


def test_an_acl_that_refuses_the_command_topic_is_told(tmp_path: Path, broker: Broker) -> None:
    broker.stop()
    rules = tmp_path / "acl"
    rules.write_text(f"topic read {TOPIC}/state\ntopic readwrite carerules/#\n")
    broker.lines = ("allow_anonymous true", f"acl_file {rules}")
    broker.start()
    listener = Listener(MqttAddress(port=broker.port))
    try:
        eventually(lambda: listener.links()[-1:] == [True], "the link is up")
        listener.switch_on()
        eventually(lambda: "refuses a message" in listener.refusals(), "it is told")
    finally:
        listener.wires.close()


def test_a_command_given_before_the_end_is_still_sent(listener: Listener, plug: FakePlug) -> None:
    eventually(lambda: listener.links()[-1:] == [True], "the link is up")
    listener.perform(SwitchOff("A-load", "leaving"))
    listener.wires.close()
    eventually(lambda: plug.obeyed == [b'{"on": false}'], "the OFF arrives")
    listener.perform(SwitchOff("A-load", "late"))
    assert listener.links()[-1:] == [False]
    listener.wires.close()  # twice does no harm

"""A line on which a broker is kept up to date: what it remembers, in bounds, over a real broker."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from threading import Timer
from time import monotonic, sleep
from typing import Any, ClassVar

import pytest
from doors_kit import Broker
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from carerules.adapters import MqttAddress
from carerules.adapters import hubline as about
from carerules.adapters.hubline import Ears, HubLine

PATIENCE_S = 60.0
"""For what takes a second or two on a quiet machine; never a measurement."""


class Plain:
    """A script of the least: everything under `us/` is ours, orders come at `us/NAME/set`."""

    will = ("us/link", "gone")
    farewell = ("us/link", "left")
    orders = ("us/+/set",)
    remembered = ("us/#",)
    birth = None

    def __init__(self) -> None:
        self.asked = 0

    def concerns(self, topic: str) -> bool:
        return topic.startswith("us/")

    def is_ours(self, topic: str, payload: str, kept: Mapping[str, str]) -> bool:
        return not topic.endswith("/set")

    def steps(
        self, kept: Mapping[str, str], wanted: Mapping[str, str]
    ) -> Sequence[tuple[str, str]]:
        self.asked += 1
        new = [(t, text) for t, text in wanted.items() if kept.get(t) != text]
        return [*new, *((t, "") for t in kept if t not in wanted)]


class Stand:
    """The line, and a plain client beside it."""

    def __init__(self, broker: Broker) -> None:
        self.dropped: list[tuple[str, str]] = []
        self.script = Plain()
        self.kept: dict[str, str] = {}
        other = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        other.on_message = self._hear
        other.connect("127.0.0.1", broker.port)
        other.subscribe("#", 1)
        other.loop_start()
        self.other = other
        self.line = HubLine("it", MqttAddress(port=broker.port), None, self.script, Ears(
            lambda _topic, _text: False, lambda t, why: self.dropped.append((t, why)),
            lambda: None, lambda _: None, lambda: None,
        ))  # fmt: skip

    def _hear(self, _client: Any, _data: Any, message: Any) -> None:
        self.kept[message.topic] = message.payload.decode()

    def until(self, true: Callable[[], bool], what: str) -> None:
        end = monotonic() + PATIENCE_S
        while not true():
            assert monotonic() < end, what
            sleep(0.02)

    def brought(self, wanted: Mapping[str, str]) -> None:
        self.until(lambda: self.line.pump(wanted), "all is sent")

    def listening(self) -> None:
        """Wait until the broker has let the line listen for orders, which it asks for unheard."""
        self.line.start()
        self.brought({})

        said = 0
        heard = [""]

        def hears() -> bool:
            nonlocal said
            said += 1
            self.say("us/probe/set", str(said).encode())
            heard.extend(one.payload for one in self.line.orders())
            return heard[-1] != ""

        def has_heard_all() -> bool:
            heard.extend(one.payload for one in self.line.orders())
            return heard[-1] == str(said)

        self.until(hears, "it listens")
        self.until(has_heard_all, "no probe is on its way any more")

    def say(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        said = self.other.publish(topic, payload, 1, retain)
        said.wait_for_publish(PATIENCE_S)
        assert said.is_published(), topic

    def close(self) -> None:
        self.line.close()
        self.other.disconnect()
        self.other.loop_stop()


@pytest.fixture
def stand(broker: Broker) -> Iterator[Stand]:
    stand = Stand(broker)
    yield stand
    stand.close()


def test_what_lay_there_is_tidied_up_and_what_is_wanted_is_there(stand: Stand) -> None:
    stand.say("us/old", b"1", retain=True)
    stand.say("us/same", b"2", retain=True)
    stand.say("them/old", b"3", retain=True)
    stand.line.start()
    stand.brought({"us/same": "2", "us/new": "4"})
    stand.until(lambda: stand.kept.get("us/new") == "4", "the new one")
    stand.until(lambda: stand.kept["us/old"] == "", "the old one is taken away")
    assert (stand.kept["them/old"], stand.line.sent) == ("3", 2), "and nothing else is said"


def test_the_same_again_is_not_even_looked_at(stand: Stand) -> None:
    stand.line.start()
    wanted = {"us/a": "1"}
    stand.brought(wanted)
    asked = stand.script.asked
    for _ in range(50):
        assert stand.line.pump(wanted)
    assert stand.script.asked == asked
    assert stand.line.pump({**wanted})
    assert stand.script.asked == asked + 1


def test_a_thousand_topics_go_out_with_few_on_their_way(stand: Stand) -> None:
    stand.line.start()
    wanted = {f"us/{number}": "x" for number in range(1_000)}
    most = 0

    def sent() -> bool:
        nonlocal most
        done = stand.line.pump(wanted)
        most = max(most, len(stand.line._in_flight))
        return done

    stand.until(sent, "all are sent")
    assert 0 < most <= about.IN_FLIGHT_MAX
    stand.until(lambda: len(stand.kept) == 1_000, "all have come")


def test_orders_that_nobody_takes_up_are_bounded_and_told_of(
    stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    stand.listening()
    now = monotonic()
    monkeypatch.setattr(about, "monotonic", lambda: now)  # none grows old
    for number in range(100):
        stand.say("us/a/set", str(number).encode())
    stand.until(lambda: len(stand.dropped) == 100 - about.ORDERS_MAX, "the rest is dropped")
    assert [one.payload for one in stand.line.orders()] == [str(n) for n in range(about.ORDERS_MAX)]
    assert stand.line.orders() == []


@pytest.mark.parametrize(
    ("payload", "retain", "why"),
    [(b"x", True, "retained"), (b"x" * 1_025, False, "1025 bytes"), (b"", True, None)],
)
def test_what_is_no_order(stand: Stand, payload: bytes, retain: bool, why: str | None) -> None:
    stand.listening()
    stand.say("us/a/set", payload, retain=retain)
    stand.say("us/b/set", b"last")
    stand.until(lambda: bool(stand.line._waiting), "the one behind it has come")
    assert [one.topic for one in stand.line.orders()] == ["us/b/set"]
    assert [told for _, told in stand.dropped if why and why in told] == [
        told for _, told in stand.dropped
    ]
    assert len(stand.dropped) == (why is not None)


def test_an_order_that_waited_is_dropped(stand: Stand, monkeypatch: pytest.MonkeyPatch) -> None:
    stand.listening()
    stand.say("us/a/set", b"x")
    stand.until(lambda: bool(stand.line._waiting), "it has come")
    monkeypatch.setattr(about, "monotonic", lambda: monotonic() + about.ORDER_AGE_MAX_S + 1)
    assert stand.line.orders() == []
    assert "old is not obeyed" in stand.dropped[0][1]


def test_leaving_is_said_and_the_will_is_not(stand: Stand) -> None:
    stand.line.start()
    stand.brought({"us/link": "here"})
    stand.until(lambda: stand.kept.get("us/link") == "here", "it is there")
    stand.line.close()
    stand.until(lambda: stand.kept["us/link"] == "left", "it has left")
    sleep(0.3)
    assert stand.kept["us/link"] == "left"


class Slow:
    """A line to a broker that acknowledges only after a while."""

    told: ClassVar[list[str]] = []

    def __init__(self, _name: str, _address: Any, _word: Any, callbacks: Any, _will: Any) -> None:
        self._callbacks = callbacks

    def start(self) -> None:
        self._callbacks.up()

    def subscribe(self, *_: Any, **__: Any) -> None:
        self._callbacks.listening()

    def unsubscribe(self, *_: Any) -> None: ...

    def publish(self, topic: str, *_: Any, **__: Any) -> int:
        def acknowledge() -> None:
            self.told.append(f"acknowledged {topic}")
            self._callbacks.acknowledged(7)

        Timer(0.2, acknowledge).start()
        return 7

    def close(self) -> None:
        self.told.append("closed")


def started(monkeypatch: pytest.MonkeyPatch, wire: type[Slow]) -> HubLine:
    """A line over a played wire, with nobody behind it."""
    monkeypatch.setattr(about, "BrokerLine", wire)
    monkeypatch.setattr(about, "GATHER_S", 0.0)
    line = HubLine("it", MqttAddress(), None, Plain(), Ears(
        lambda _topic, _text: False, lambda _topic, _why: None, lambda: None, lambda _: None,
        lambda: None,
    ))  # fmt: skip
    line.start()
    return line


def test_a_goodbye_is_acknowledged_before_the_connection_is_closed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Closed with something in it unread it is reset, and a broker then says the will over it."""
    line = started(monkeypatch, Slow)
    assert line.pump({})
    line.close()
    assert Slow.told == ["acknowledged us/link", "closed"]


def test_what_the_broker_remembers_is_waited_for_until_it_has_answered(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """MQTT 5.0, 3.8.4: what is retained may come from the answer on. One that is slow to answer
    would else be taken for one that remembers nothing, and what was left there would stay."""
    told: list[Any] = []

    class Mute(Slow):
        def subscribe(self, *_: Any, **__: Any) -> None: ...

        def publish(self, topic: str, payload: str, **__: Any) -> None:
            told.append((topic, payload))

    line = started(monkeypatch, Mute)
    assert not line.pump({})
    line._on_message("us/left", b"1", retained=True)
    line._listening()
    line.pump({})
    assert told == [("us/left", "")]

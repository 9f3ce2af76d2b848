"""One program's line to the broker: messages in by a queue, messages out while it is up.

Knows MQTT. Does not know what the messages mean.
"""

from __future__ import annotations

import json
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from queue import Empty, SimpleQueue
from threading import current_thread, main_thread
from types import FrameType

from paho.mqtt.client import Client, ConnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from carerules.domain.frozen import guarded

PAYLOAD_BYTES_MAX = 1_024  # a command or a state is 40 bytes, telemetry of 60 cells 600
WAITING_MAX = 256  # far more than a plug is sent in a minute; what comes on top is dropped
KEEPALIVE_S = 10  # the broker misses a program that hangs after one and a half of it


@guarded
class Broker:
    """Where the broker is, and as whom to go there."""

    host: str = "127.0.0.1"
    port: int = 1883
    user: str | None = None
    password: str | None = None


@guarded
class Message:
    """What came in on a topic."""

    topic: str
    payload: bytes


@guarded
class Up:
    """The line has come up: say everything anew."""


@guarded
class Stop:
    """The program is asked to end."""


Heard = Message | Up | Stop


class Wire:
    """The line. Only its owner's thread calls it; what comes in waits in the queue.

    Nothing is said while the line is down and nothing is kept for later: an old state told late
    is worse than none. `link_topic` is kept online or offline at the broker, by will.
    """

    def __init__(self, broker: Broker, *, link_topic: str | None = None) -> None:
        self._queue: SimpleQueue[Heard] = SimpleQueue()
        self._subscribe: list[str] = []
        self._link = link_topic
        self._running = False
        client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        if broker.user is not None:
            client.username_pw_set(broker.user, broker.password)
        if link_topic is not None:
            client.will_set(link_topic, "offline", qos=1, retain=True)
        client.on_connect = self._on_connect
        client.on_message = self._on_message
        client.reconnect_delay_set(1, 5)
        client.connect_async(broker.host, broker.port, KEEPALIVE_S, clean_start=True)
        self._client = client

    def begin(self, subscribe: Sequence[str]) -> None:
        """Go and stay connected, from a thread of its own."""
        self._subscribe = list(subscribe)
        self._running = True
        self._client.loop_start()

    def is_running(self) -> bool:
        """Whether it is connected, or tries to be."""
        return self._running

    def say(self, topic: str, what: dict[str, object]) -> None:
        """Publish JSON, unless the line is down."""
        if self._running and self._client.is_connected():
            self._client.publish(topic, json.dumps(what), qos=0)

    def next(self, within_s: float) -> Heard | None:
        """What is heard next; None when nothing is for so long."""
        with suppress(Empty):
            return self._queue.get(timeout=max(0.0, within_s))
        return None

    def stop(self) -> None:
        """Ask the owner to end; from any thread or signal handler."""
        self._queue.put(Stop())

    def hang(self) -> None:
        """Go silent and deaf with the connection left open, as a hung program does."""
        self._running = False
        self._client.loop_stop()

    def drop(self) -> None:
        """Lose the connection without a word, as at a loss of power: the broker tells the will."""
        self.hang()
        line = self._client.socket()
        if line is not None:
            line.close()

    def back(self) -> None:
        """Connect again after `drop`."""
        if not self._running:
            with suppress(OSError):
                self._client.reconnect()
            self.begin(self._subscribe)

    def close(self) -> None:
        """Say goodbye and go."""
        if self._running and self._client.is_connected():
            if self._link is not None:
                with suppress(RuntimeError, ValueError):
                    said = self._client.publish(self._link, "offline", qos=1, retain=True)
                    said.wait_for_publish(2)
            self._client.disconnect()
        self.hang()

    # An exception in a callback would end the library's thread in silence; these raise none.

    def _on_connect(
        self,
        client: Client,
        _data: object,
        _flags: ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            return  # tried again by itself
        # Retained messages are no commands: the broker is asked not to send them.
        fresh = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND)
        if self._subscribe:
            client.subscribe([(topic, fresh) for topic in self._subscribe])
        if self._link is not None:
            client.publish(self._link, "online", qos=1, retain=True)
        self._queue.put(Up())

    def _on_message(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        fits = len(message.payload) <= PAYLOAD_BYTES_MAX and self._queue.qsize() < WAITING_MAX
        if fits and not message.retain:
            self._queue.put(Message(message.topic, bytes(message.payload)))


@contextmanager
def ends_on_signals(stop: Callable[[], None]) -> Iterator[None]:
    """SIGTERM and Ctrl-C ask for the end, once; elsewhere than in the main thread: nothing."""
    if current_thread() is not main_thread():
        yield
        return

    def asked(_number: int, _frame: FrameType | None) -> None:
        stop()

    before = {number: signal.signal(number, asked) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def read_table(payload: bytes) -> dict[str, object] | None:
    """A JSON object; None for anything else."""
    try:
        found = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def as_number(found: object) -> float | None:
    """A finite number; None for anything else, yes and no included."""
    if isinstance(found, bool) or not isinstance(found, (int, float)):
        return None
    return float(found) if abs(found) < 1e9 else None


def print_line(text: str) -> None:
    """One line, at once: whoever reads a pipe sees it when it happens."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()

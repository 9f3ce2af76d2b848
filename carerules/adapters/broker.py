"""One connection to a broker: made, kept, made again; its callbacks cannot kill its thread.

Knows the MQTT library. Does not know plugs or samples.
"""

from __future__ import annotations

import socket
import ssl
import sys
from collections.abc import Callable, Iterable
from threading import Thread
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from carerules.adapters.address import MqttAddress
from carerules.adapters.problem import quoted
from carerules.adapters.trust import broker_trust
from carerules.domain.frozen import guarded

KEEPALIVE_S = 10  # a broker that went without a word is noticed within 15 s
CONNECT_S_MAX = 5.0
CLOSE_S_MAX = 6.0  # a connection attempt may have to end first
RETRY_S_MIN, RETRY_S_MAX = 1, 5  # after a reconnect OFF must leave within 10 s
PACKET_BYTES_MAX = 32 * 1_024  # a payload at its limit, its topic and properties

STOP_MARK = ("carerules", "stop")
"""The user property (MQTT 5, 3.3.2.3.7) that `carerules stop` puts on what it sends. Anybody may:
whoever reads it lets nothing pass for it but an OFF."""

UNSENT_MS_MAX = 5_000
"""Linux gives up a connection whose data nobody acknowledged for so long, and the data with it:
an ON that lay in the kernel while the network was away must not arrive when it comes back."""


@guarded
class Callbacks:
    """What a line tells its owner. On the line's own thread; each may raise, none may block.

    `marked` has a message with `STOP_MARK`; without it that is a message like any other.
    `listening`: the broker has answered all that was asked of it to listen to.
    """

    up: Callable[[], None]
    down: Callable[[], None]
    message: Callable[[str, bytes, bool], None]
    acknowledged: Callable[[int], None]
    fault: Callable[[str], None]
    marked: Callable[[str, bytes, bool], None] | None = None
    listening: Callable[[], None] = lambda: None


@guarded
class Will:
    """What the broker says, retained, when the connection ends without a word from us."""

    topic: str
    payload: str


OWNER = "carerules-owner"
"""The user property that bears the number of an ownership (MQTT 5.0, 3.3.2.3.7)."""


class BrokerLine:
    """A session that ends with its connection: nothing is kept at the broker or here."""

    def __init__(
        self, name: str, address: MqttAddress, password: str | None, callbacks: Callbacks,
        will: Will | None = None,
    ) -> None:  # fmt: skip
        self._address, self._told = address, callbacks
        self._topics: dict[int | None, list[str]] = {}
        self._answered = False  # whether the broker has said a word on this connection
        client = Client(CallbackAPIVersion.VERSION2, name, protocol=MQTTProtocolVersion.MQTTv5)
        if address.username is not None:
            client.username_pw_set(address.username, password)
        if address.tls:
            client.tls_set_context(broker_trust(address))
        if will is not None:
            client.will_set(will.topic, will.payload, qos=1, retain=True)
        client.connect_timeout = CONNECT_S_MAX
        client.reconnect_delay_set(RETRY_S_MIN, RETRY_S_MAX)
        client.on_connect = self._guarded(self._on_connect)
        client.on_connect_fail = self._guarded(self._on_connect_fail)
        client.on_disconnect = self._guarded(self._on_disconnect)
        client.on_message = self._guarded(self._on_message)
        client.on_publish = self._guarded(self._on_publish)
        client.on_subscribe = self._guarded(self._on_subscribe)
        client.on_socket_open = self._guarded(_give_up_unsent)
        self._client: Client | None = client

    def start(self) -> None:
        """Begin to connect, and go on until `close`; returns at once."""
        session = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        session.SessionExpiryInterval = 0
        session.MaximumPacketSize = PACKET_BYTES_MAX
        assert self._client is not None, "a closed line is not started again"
        self._client.connect_async(
            self._address.host, self._address.port, KEEPALIVE_S, clean_start=True,
            properties=session,
        )  # fmt: skip
        self._client.loop_start()

    def close(self) -> None:
        """Send what is on its way, say goodbye, and end the thread; at most some seconds."""
        client, self._client = self._client, None
        if client is None:
            return
        client.disconnect()
        # What waits for an acknowledgement would keep the library's thread alive.
        client.drop_out_messages()
        ending = Thread(target=client.loop_stop, daemon=True)
        ending.start()
        ending.join(CLOSE_S_MAX)
        # Let go of each other, so that the library's finaliser closes what it has open, and not
        # the collector in an order of its own.
        client.on_connect = client.on_disconnect = client.on_message = None
        client.on_connect_fail = None
        client.on_publish = client.on_subscribe = client.on_socket_open = None

    @property
    def is_up(self) -> bool:
        """Whether the broker has accepted us and has not been lost since."""
        return self._client is not None and self._client.is_connected()

    def subscribe(
        self, topics: Iterable[tuple[str, int]], *, ours_too: bool = True, marked: bool = False
    ) -> None:
        """Listen to topics, each with its number of QoS; what is retained there comes at once.

        `marked`: also of a message that comes just now it is told whether it is to be retained.
        """
        client = self._client
        if client is None:
            return
        for topic, qos in topics:
            options = SubscribeOptions(qos=qos, noLocal=not ours_too, retainAsPublished=marked)
            _, number = client.subscribe(topic, options=options)
            self._topics[number] = [topic]

    def unsubscribe(self, topics: Iterable[str]) -> None:
        """Listen there no longer."""
        if self._client is not None:
            for topic in topics:
                self._client.unsubscribe(topic)

    def publish(
        self, topic: str, payload: str | bytes, *, qos: int, expiry_s: int | None,
        retain: bool = False, stop: bool = False,
        owner: int | None = None,
    ) -> int | None:  # fmt: skip
        """Send a message now, or not at all; its number, or None where it was not sent.

        `expiry_s`: how long it is worth something, None: for good. `stop`: with `STOP_MARK`.
        `owner`: under which number of an ownership it is sent, for whoever looks on.

        The library keeps what it could not send and sends it after the next connect: what it
        kept is taken back here, on each loss of the connection, and before each new one is used.
        """
        client = self._client
        if client is None or not client.is_connected():
            return None
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        if expiry_s is not None:
            properties.MessageExpiryInterval = expiry_s
        if stop:
            properties.UserProperty = STOP_MARK
        if owner is not None:
            properties.UserProperty = (OWNER, str(owner))
        sent = client.publish(topic, payload, qos, retain, properties)
        if sent.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            client.drop_out_messages()
            return None
        return sent.mid

    # ---- on the line's thread ----------------------------------------------------------------

    def _guarded(self, callback: Callable[..., None]) -> Callable[..., None]:
        # An exception in a callback ends the library's thread while it still says "connected".
        def guarded(*args: Any) -> None:
            try:
                callback(*args)
            except Exception as error:
                self._told.fault(f"a callback failed: {quoted(error)}")

        return guarded

    def _on_connect(self, client: Client, _data: Any, _flags: Any, reason: Any, _more: Any) -> None:
        client.drop_out_messages()
        self._answered = True
        if reason.is_failure:
            self._told.fault(f"the broker refuses: {quoted(reason)}")
            return
        self._topics.clear()
        self._told.up()

    def _on_connect_fail(self, *_: Any) -> None:
        # The library calls it while it handles the error, and does not pass that along.
        self._told.fault(_no_connection(sys.exception(), tls=self._address.tls))

    def _on_disconnect(self, client: Client, *_: Any) -> None:
        client.drop_out_messages()
        if not self._answered and self._client is not None:
            wants = (
                "its certificate and ours (`cert_file`)" if self._address.tls else "`tls = true`"
            )
            self._told.fault("the broker ends the connection before it answers; mend: look at "
                             f"{wants} in `[mqtt]`, and into its log")  # fmt: skip
        self._answered = False
        self._told.down()

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        marks = getattr(message.properties, "UserProperty", ())
        told = self._told.marked if STOP_MARK in marks else None
        told = told or self._told.message
        told(message.topic, bytes(message.payload), bool(message.retain))

    def _on_publish(self, _client: Client, _data: Any, number: int, reason: Any, _: Any) -> None:
        if reason.is_failure:
            self._told.fault(f"the broker refuses a message: {quoted(reason)}")
        self._told.acknowledged(number)

    def _on_subscribe(
        self, _client: Client, _data: Any, number: int, reasons: Any, _more: Any
    ) -> None:
        topics = self._topics.pop(number, ["a topic"])
        for topic, reason in zip(topics, reasons, strict=False):
            if reason.is_failure:
                self._told.fault(f"the broker refuses to let us listen to {quoted(topic)}")
        if not self._topics:
            self._told.listening()


def _no_connection(error: BaseException | None, *, tls: bool) -> str:
    """Why there is none, with the mend where it lies in the site file."""
    match error:
        case ssl.SSLCertVerificationError():
            why = quoted(error.verify_message.rstrip("."))
            return (f"the broker's certificate does not hold: {why}; mend: look at `ca_file` and "
                    "`host` in `[mqtt]`, or renew the broker's")  # fmt: skip
        case ssl.SSLError() | ConnectionResetError() if tls:  # reset: it took our hello for noise
            return (f"no TLS with the broker: {quoted(error)}; mend: look at `port` and `tls` in "
                    "`[mqtt]`")  # fmt: skip
        case OSError(strerror=str(why)):
            return f"no connection: {why.lower()}"
        case _:
            return f"no connection: {quoted(error or 'it does not say why')}"


def _give_up_unsent(_client: Client, _data: Any, opened: Any) -> None:
    if hasattr(socket, "TCP_USER_TIMEOUT"):
        opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNSENT_MS_MAX)

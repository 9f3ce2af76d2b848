"""A plug of the generic kind, spoken through a second MQTT client: relay, meter, link, will.

It has no timer of its own that runs: the tests set what it says is left.
"""

from __future__ import annotations

import json
from threading import Event as Flag
from typing import Any

from paho.mqtt.client import Client, MQTTMessage, MQTTMessageInfo
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion


class FakePlug:
    """Obeys `{topic}/set` and `{topic}/get`, publishes `{topic}/state` and `{topic}/link`."""

    def __init__(self, port: int, topic: str, watts: float = 58.0) -> None:
        self.topic, self.watts = topic, watts
        self.on = False
        self.timer_s: float | None = None
        self.obeyed: list[bytes] = []
        self.retained: list[bytes] = []
        self.ready = Flag()
        self._client = Client(
            CallbackAPIVersion.VERSION2, "fake-plug", protocol=MQTTProtocolVersion.MQTTv5
        )
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = lambda *_: self.ready.set()
        self._client.on_message = self._on_message
        self._client.will_set(f"{topic}/link", "offline", 1, retain=True)
        self._client.reconnect_delay_set(1, 1)
        self._client.connect_async("127.0.0.1", port, 10)
        self._client.loop_start()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()
        self._client.on_connect = self._client.on_message = self._client.on_subscribe = None

    def say_state(self, *, retain: bool = False) -> MQTTMessageInfo:
        watts = self.watts if self.on else 0.0
        body = {"on": self.on, "power_w": watts, "timer_s": self.timer_s if self.on else None}
        return self._client.publish(f"{self.topic}/state", json.dumps(body), 1, retain)

    def _on_connect(self, client: Client, *_: Any) -> None:
        client.subscribe([(f"{self.topic}/set", 1), (f"{self.topic}/get", 1)])
        client.publish(f"{self.topic}/link", "online", 1, retain=True)

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        if message.retain:
            self.retained.append(message.payload)
            return
        if message.topic.endswith("/set") and message.payload:
            self.obeyed.append(message.payload)
            command = json.loads(message.payload)
            self.on, self.timer_s = command["on"], command.get("for_s")
        self.say_state()

"""The question what a plug does after a loss of mains, over a real broker."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from doors_kit import Broker
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
from test_plug_profiles import plug, profile

from carerules.adapters import MqttAddress
from carerules.adapters.power_on import power_on_fault

FAMILIES = [
    ("pulse-timer", "cmnd/plug1/PowerOnState", "stat/plug1/RESULT", b'{"PowerOnState":%s}', b"0",
     b"3"),
    ("json-rpc", "plug1/rpc", "carerules/plug1/0/config/rpc",
     b'{"id": 3, "src": "plug1", "result": {"id": 0, "initial_state": %s}}', b'"off"',
     b'"restore_last"'),
    ("on-time-bridge", "bridge/plug1/get", "bridge/plug1", b'{"power_on_behavior": %s}', b'"off"',
     b'"previous"'),
]  # fmt: skip
"""Profile, where it is asked, where it answers, its answer, the word for off, and another."""


@pytest.fixture
def answers(broker: Broker) -> Iterator[Any]:
    """A plug that answers a message on one topic with one on another."""
    clients: list[Client] = []

    def answering(asked: str, told: str, payload: bytes) -> None:
        client = Client(CallbackAPIVersion.VERSION2)
        client.on_message = lambda c, _data, _message: c.publish(told, payload, qos=1)
        client.connect("127.0.0.1", broker.port)
        client.subscribe(asked, qos=1)
        client.loop_start()
        clients.append(client)

    yield answering
    for client in clients:
        client.disconnect()
        client.loop_stop()


@pytest.mark.parametrize(("name", "asked", "told", "answer", "off", "other"), FAMILIES)
def test_off_is_taken(
    broker: Broker, answers: Any, name: str, asked: str, told: str, answer: bytes, off: bytes,
    other: bytes,
) -> None:  # fmt: skip
    del other
    question = profile(name).power_on
    assert question is not None
    address = MqttAddress("127.0.0.1", broker.port)
    answers(asked, told, answer % off)
    assert power_on_fault(address, plug(name), question, 10.0) is None


@pytest.mark.parametrize(("name", "asked", "told", "answer", "off", "other"), FAMILIES)
def test_another_word_than_off_is_a_fault(
    broker: Broker, answers: Any, name: str, asked: str, told: str, answer: bytes, off: bytes,
    other: bytes,
) -> None:  # fmt: skip
    question = profile(name).power_on
    assert question is not None
    answers(asked, told, answer % other)
    found = power_on_fault(MqttAddress("127.0.0.1", broker.port), plug(name), question, 10.0)
    assert found is not None
    assert "after a loss of mains" in found
    assert off.decode().strip('"') in found


def test_silence_is_a_fault(broker: Broker) -> None:
    question = profile("pulse-timer").power_on
    assert question is not None
    address = MqttAddress("127.0.0.1", broker.port)
    found = power_on_fault(address, plug("pulse-timer"), question, 0.5)
    assert found is not None
    assert "did not say" in found

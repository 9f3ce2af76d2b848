"""A relay played on the wire, and the library python-kasa itself between it and us.

The wire is written from public descriptions of the protocol, from memory: JSON under a running XOR
that begins with 171, over TCP behind its length in four bytes, over UDP without; port 9999.
"""

from __future__ import annotations

import json
import socket
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import kasa
import pytest

sys.path.append(str(Path(__file__).resolve().parents[1] / "adapters"))

from called_kit import Ear, P, on, wired
from test_called_lan import Relay

from carerules.domain.decision import SwitchOff
from carerules.domain.event import PlugReport
from carerules.domain.pack import Plug

HOST, PORT = "127.0.0.1", 9999
SYSINFO = {
    "sw_ver": "1.0", "hw_ver": "1.0", "model": "X1(EU)", "mic_type": "IOT.SMARTPLUGSWITCH",
    "deviceId": "0", "alias": "load", "feature": "TIM:ENE", "mac": "00:00:5E:00:53:01",
}  # fmt: skip


def scrambled(plain: bytes) -> bytes:
    key, out = 171, bytearray()
    for byte in plain:
        key ^= byte
        out.append(key)
    return bytes(out)


def plain(scrambled_: bytes) -> bytes:
    key, out = 171, bytearray()
    for byte in scrambled_:
        out.append(key ^ byte)
        key = byte
    return bytes(out)


class OnWire:
    def __init__(self, relay: Relay) -> None:
        self._relay = relay
        self._udp = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._udp.bind((HOST, PORT))
        self._tcp = socket.create_server((HOST, PORT))
        for work in (self._found, self._served):
            threading.Thread(target=work, daemon=True).start()

    def close(self) -> None:
        for each in (self._udp, self._tcp):
            each.close()

    def _answer(self, request: dict[str, Any]) -> bytes:
        self._relay.asked.append(request)
        told = {name: self._relay._module(name, said or {}) for name, said in request.items()}
        if "get_sysinfo" in told.get("system", {}):
            told["system"]["get_sysinfo"] |= SYSINFO
        return scrambled(json.dumps(told).encode())

    def _found(self) -> None:
        while True:
            try:
                data, asker = self._udp.recvfrom(4_096)
                self._udp.sendto(self._answer(json.loads(plain(data))), asker)
            except OSError:
                return

    def _served(self) -> None:
        while True:
            try:
                connected, _ = self._tcp.accept()
            except OSError:
                return
            threading.Thread(target=self._talk, args=(connected,), daemon=True).start()

    def _talk(self, connected: socket.socket) -> None:
        with connected, connected.makefile("rb") as stream:
            while len(length := stream.read(4)) == 4:
                answer = self._answer(json.loads(plain(stream.read(int.from_bytes(length, "big")))))
                connected.sendall(len(answer).to_bytes(4, "big") + answer)


@pytest.fixture
def relay() -> Iterator[Relay]:
    played = Relay()
    wire = OnWire(played)
    yield played
    wire.close()


def test_the_library_carries_what_we_say_and_hear(relay: Relay) -> None:
    ear = Ear()
    with wired(Plug(P, "lan-relay", {"host": HOST}), ear) as wires:
        assert ear.reports() == PlugReport(0, P, False, 0.0, 0.0)
        wires.perform(on(90))
        assert ear.reports(on=True) == PlugReport(0, P, True, 58.0, 90.0)
        assert [(rule["delay"], rule["act"]) for rule in relay.rules] == [(90, 0)]
        wires.perform(SwitchOff(P, "test"))
        assert ear.reports(2, on=False).power_w == 0.0
    assert ear.links() == [True]
    said = [one for one in relay.asked if "set_relay_state" in one.get("system", {})]
    assert len(said) == 2, "each command went out once"


def test_the_library_calls_a_refused_login_what_we_look_for() -> None:
    assert kasa.exceptions.AuthenticationError.__name__ == "AuthenticationError"


def test_nobody_there_is_told_by_the_library() -> None:
    ear = Ear()
    with wired(Plug(P, "lan-relay", {"host": HOST}), ear):
        ear.refused("")
    assert ear.links() == [False]

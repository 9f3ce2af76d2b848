"""The pretended plug and pack as processes of their own on a real mosquitto.

Needs /usr/sbin/mosquitto (Debian package `mosquitto`); without it these tests fail. Times here
are bounds on patience, not measurements.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from ports_kit import free_port

MOSQUITTO = "/usr/sbin/mosquitto"
PATIENCE_S = 60.0
ROOT = Path(__file__).resolve().parents[2]


class Broker:
    """One mosquitto on a loopback port that stays the same over a restart."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        self._conf = folder / "mosquitto.conf"
        self._conf.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\n"
        )
        self.start()

    def start(self) -> None:
        assert Path(MOSQUITTO).exists(), "wanted mosquitto; install the package `mosquitto`"
        self.process = subprocess.Popen(
            [MOSQUITTO, "-c", str(self._conf)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        waiting = threading.Event()
        for _ in range(1_200):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            assert self.process.poll() is None, "mosquitto ended at once"
            waiting.wait(0.05)
        pytest.fail("mosquitto did not come up")

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()


class Observer:
    """Sees every message, and can wait for one."""

    def __init__(self, port: int) -> None:
        self._seen: list[tuple[str, object, bool]] = []
        self._changed = threading.Condition()
        self.client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self.client.on_message = self._on_message
        self.client.on_connect = lambda client, *_: client.subscribe("hut/#", qos=1)
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def _on_message(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        text = message.payload.decode()
        what = json.loads(text) if text.startswith("{") else text
        with self._changed:
            self._seen.append((message.topic, what, message.retain))
            self._changed.notify_all()

    def forget(self) -> None:
        with self._changed:
            self._seen.clear()

    def wait(self, topic: str, fits: Callable[[dict], bool]) -> dict:
        def found() -> list[dict]:
            return [what for seen, what, _ in self._seen if seen == topic and fits(what)]

        with self._changed:
            assert self._changed.wait_for(found, PATIENCE_S), f"{topic}: saw {self._seen[-8:]}"
            return found()[0]

    def say(self, topic: str, what: object, *, retain: bool = False) -> None:
        said = self.client.publish(topic, json.dumps(what), qos=1, retain=retain)
        said.wait_for_publish(PATIENCE_S)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


class Program:
    """One pretended program, and the lines that it prints."""

    def __init__(self, what: str, topic: str, port: int, **options: object) -> None:
        self.process = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("run_pretend.py")),
             what, topic, str(port), json.dumps(options)],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        self.lines: list[str] = []
        self._changed = threading.Condition()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            with self._changed:
                self.lines.append(line.rstrip("\n"))
                self._changed.notify_all()

    def wait(self, start: str) -> str:
        def found() -> list[str]:
            return [line for line in self.lines if line.startswith(start)]

        with self._changed:
            assert self._changed.wait_for(found, PATIENCE_S), f"no `{start}` in {self.lines}"
            return found()[0]

    def end(self, number: signal.Signals) -> int:
        self.process.send_signal(number)
        code = self.process.wait(PATIENCE_S)
        self._reader.join(PATIENCE_S)
        return code

    def close(self) -> None:
        if self.process.poll() is None:
            self.end(signal.SIGKILL)
        self._reader.join(PATIENCE_S)
        assert self.process.stdout is not None
        self.process.stdout.close()


class Hut:
    """A broker, an observer and whatever programs a test starts; all gone afterwards."""

    def __init__(self, folder: Path) -> None:
        self.broker = Broker(folder)
        self.observer = Observer(self.broker.port)
        self._programs: list[Program] = []

    def start(self, what: str, topic: str, **options: object) -> Program:
        program = Program(what, topic, self.broker.port, **options)
        self._programs.append(program)
        program.wait("on the line")
        return program

    def plug(self, **options: object) -> Program:
        program = self.start("plug", "hut/load", **options)
        self.observer.wait("hut/load/link", lambda word: word == "online")
        return program

    def close(self) -> None:
        for program in self._programs:
            program.close()
        self.observer.close()
        self.broker.kill()


@pytest.fixture
def hut(tmp_path: Path) -> Iterator[Hut]:
    made = Hut(tmp_path)
    try:
        yield made
    finally:
        made.close()


def is_on(state: dict) -> bool:
    return state["on"] is True


def is_off(state: dict) -> bool:
    return state["on"] is False


def test_a_drain_of_a_pretended_pack_and_its_end_by_the_plug_s_own_timer(hut: Hut) -> None:
    hut.plug(load_power_w=60.0, pack_topic="hut/egret")
    hut.start("pack", "hut/egret", plug_topic="hut/load", speed=60.0, every_s=0.2)
    rested = hut.observer.wait("hut/egret/telemetry", lambda seen: seen["current"] == 0)
    assert rested["voltage"] == pytest.approx(25.2, abs=0.15)  # six cells at 4.2 V
    hut.observer.say("hut/load/get", {})
    hut.observer.wait("hut/load/state", is_off)
    hut.observer.say("hut/load/set", {"on": True, "for_s": 10})  # the pack tells of it in that time
    state = hut.observer.wait("hut/load/state", is_on)
    assert state == {"on": True, "power_w": 60.0, "timer_s": 10.0}
    under_load = hut.observer.wait("hut/egret/telemetry", lambda seen: seen["current"] < -1)
    power_w = under_load["voltage"] * under_load["current"]
    assert power_w == pytest.approx(-60, abs=2.5)
    hut.observer.forget()
    hut.observer.wait("hut/load/state", is_off)  # nobody said so but its timer
    hut.observer.wait("hut/egret/telemetry", lambda seen: seen["current"] == 0)


def test_the_timer_opens_the_relay_with_the_broker_gone(hut: Hut) -> None:
    plug = hut.plug()
    hut.observer.say("hut/load/set", {"on": True, "for_s": 4})
    plug.wait("ON for 4 s; contact closed")
    hut.broker.kill()
    plug.wait("timer ran out; contact open")
    hut.observer.forget()
    hut.broker.start()
    assert hut.observer.wait("hut/load/state", lambda _: True)["on"] is False
    hut.observer.wait("hut/load/link", lambda word: word == "online")


def test_a_retained_command_is_not_obeyed(hut: Hut) -> None:
    hut.observer.say("hut/load/set", {"on": True, "for_s": 900}, retain=True)
    plug = hut.plug()
    hut.observer.say("hut/load/get", {})
    hut.observer.wait("hut/load/state", is_off)
    hut.observer.say("hut/load/set", {"on": False})
    plug.wait("OFF; contact open")
    assert not [line for line in plug.lines if line.startswith("ON")]


def test_off_of_a_welded_plug_leaves_the_power_on(hut: Hut) -> None:
    hut.plug(load_power_w=60.0, faults=["welded"])
    hut.observer.say("hut/load/set", {"on": True, "for_s": 90})
    hut.observer.wait("hut/load/state", is_on)
    hut.observer.forget()
    hut.observer.say("hut/load/set", {"on": False})
    state = hut.observer.wait("hut/load/state", is_off)
    assert state == {"on": False, "power_w": 60.0, "timer_s": None}
    hut.observer.wait("hut/load/truth", lambda truth: truth["closed"])


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_ends_cleanly_when_asked(hut: Hut, number: signal.Signals) -> None:
    plug = hut.plug()
    pack = hut.start("pack", "hut/egret")
    for program in (plug, pack):
        assert program.end(number) == 0
        assert program.lines[-1].startswith("ends;")
        assert not [line for line in program.lines if "Traceback" in line]
    hut.observer.wait("hut/load/link", lambda word: word == "offline")


def test_the_broker_tells_of_one_that_was_killed_or_died(hut: Hut) -> None:
    plug = hut.plug()
    plug.end(signal.SIGKILL)
    hut.observer.wait("hut/load/link", lambda word: word == "offline")
    hut.observer.forget()
    dying = hut.plug(faults=["dies"], faults_after_s=1.0)
    dying.wait("fault `dies`: falls open and says nothing more")
    hut.observer.wait("hut/load/link", lambda word: word == "offline")
    assert dying.process.poll() is None


def test_one_that_reboots_comes_back_open_on_the_same_line(hut: Hut) -> None:
    plug = hut.plug(faults=["reboots"])
    hut.observer.forget()
    hut.observer.say("hut/load/set", {"on": True, "for_s": 90})
    hut.observer.wait("hut/load/link", lambda word: word == "offline")
    hut.observer.wait("hut/load/link", lambda word: word == "online")
    hut.observer.wait("hut/load/state", is_off)
    plug.wait("started again, relay open")

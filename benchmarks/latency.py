"""From a message to the plug's command, while packs speak: the real service, measured.

    python benchmarks/latency.py [--rate 2000] [--packs 400] [--stations 100]

mosquitto on the loopback address and `carerules run` as processes of their own, the service on one
core (`taskset`), everything else on the others. All packs report in turn, so many messages a second
in all. One pack after another passes a limit of its rule: its load must go on; later another limit:
it must go off. Taken is the time from the publishing of that very message to the command at the
plug: both ways over the broker, the parser, the estimate, the ten rules of `replay_rules.py` and
one more, the interlock and, before an ON, the journal's commit to the disk. The plugs are a thread
here; what a relay adds is not in it. Broker and senders pass small packets on at once
(`TCP_NODELAY`): otherwise TCP holds each up to 40 ms until the one before is acknowledged.

Where the machine does other work, `chrt -r 1` before the command gives it the cores that it needs.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import socket
import sys
import tempfile
import threading
import time
from collections import deque
from dataclasses import dataclass
from math import ceil
from pathlib import Path
from statistics import median

ROOT = Path(__file__).resolve().parents[1]
for folder in (ROOT, ROOT / "tests", ROOT / "tests" / "e2e", ROOT / "benchmarks"):
    sys.path.insert(0, str(folder))

from e2e_kit import ENTRY, Program, Stage, eventually  # noqa: E402
from e2e_process import Broker  # noqa: E402
from paho.mqtt.client import Client, MQTTMessage  # noqa: E402
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion  # noqa: E402
from replay_rules import TEXT  # noqa: E402

SERVICE_CORE = 0
LOAD_W = 60.0
VOLTS = 22.8
"""Of the load, and of a pack of six cells at nine tenths."""
CALM, BEGINS, ENDS = 24.5, 25.5, 26.5
"""°C: nothing to do; the drain begins; it is stopped."""
RULE = """
rule measured
    when pack.temperature > 25 °C:
        drain to 60 %
        stop when pack.temperature > 26 °C
"""
TURN_S = 0.005
"""The messages of so long go out together: a timer of this machine is no finer by much."""
BETWEEN_S = 0.1
"""From one command to the next."""
WARM_UP_S, PAUSE_S = 8.0, 2.0
"""Before the first command, and between those that begin and those that end."""
HEAD = """name = "a shelf"
zone = "Europe/Lisbon"
rules = ["shelf.care"]

[mqtt]
port = {port}
"""
PACK = """
[pack.p{at}]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
{place}

[feed.p{at}]
profile = "generic-json"
topic = "packs/p{at}"
pack = "p{at}"
"""
STATION = """
[station.S{at}]
load = {{ plug = "l{at}", power = "60 W" }}

[plug.l{at}]
profile = "generic-json"
topic = "plugs/l{at}"
require_proof = false
"""


@dataclass(slots=True)
class One:
    """A pack, and the plug of the load that it hangs on, if it hangs anywhere."""

    celsius: float = CALM
    on: bool = False
    sent: float = 0.0
    """When the message went out whose answer is awaited; 0: none is."""

    def says(self) -> str:
        amps = -LOAD_W / VOLTS if self.on else 0.0
        cell = round(VOLTS / 6 - (0.02 if self.on else 0.0), 3)
        return json.dumps({
            "voltage": round(cell * 6, 3), "current": round(amps, 2), "temperature": self.celsius,
            "soc": 90, "cells": [cell] * 6,
        })  # fmt: skip


class Bench:
    """The packs' and plugs' side of the broker."""

    def __init__(self, port: int, packs: int, stations: int) -> None:
        self.packs = [One() for _ in range(packs)]
        self.stations = stations
        self.took_s: dict[bool, list[float]] = {True: [], False: []}
        self.published = 0
        self.late_s: deque[float] = deque(maxlen=100_000)
        self._leaving = threading.Event()
        self._client = Client(
            CallbackAPIVersion.VERSION2, client_id="bench", protocol=MQTTProtocolVersion.MQTTv5
        )
        self._client.on_message = self._heard
        self._client.on_socket_open = lambda _client, _data, line: line.setsockopt(
            socket.IPPROTO_TCP, socket.TCP_NODELAY, 1
        )
        self._client.connect("127.0.0.1", port)
        self._client.subscribe([("plugs/+/set", 1), ("plugs/+/get", 1)])
        self._client.loop_start()
        for at in range(stations):
            self._client.publish(f"plugs/l{at}/link", "online", qos=1, retain=True)

    def _heard(self, _client: object, _data: object, message: MQTTMessage) -> None:
        at = time.monotonic()
        _, plug, what = message.topic.split("/")
        number = int(plug[1:])
        one = self.packs[number]
        if what == "set" and message.payload:
            wanted = json.loads(message.payload)["on"]
            if one.sent and wanted != one.on:
                self.took_s[wanted].append(at - one.sent)
                one.sent = 0.0
            one.on = wanted
        self._client.publish(f"plugs/{plug}/state", json.dumps({
            "on": one.on, "power_w": LOAD_W if one.on else 0.0,
            "timer_s": 90 if one.on else None,
        }), qos=1)  # fmt: skip

    def speak(self, rate: int, passes: list[float]) -> None:
        """All packs in turn, `rate` messages a second, until each station's pack has passed each of
        the limits."""
        begun = time.monotonic()
        turn, next_pack = 0, 0
        waiting: deque[tuple[float, int, float]] = deque()
        at = WARM_UP_S
        for celsius in passes:
            for number in range(self.stations):
                waiting.append((at, number, celsius))
                at += BETWEEN_S
            at += PAUSE_S
        while waiting or time.monotonic() - begun < at:
            due = begun + turn * TURN_S
            time.sleep(max(0.0, due - time.monotonic()))
            now = time.monotonic()
            self.late_s.append(now - due)
            turn += 1
            if waiting and now - begun >= waiting[0][0]:
                _, number, celsius = waiting.popleft()
                one = self.packs[number]
                one.celsius, one.sent = celsius, time.monotonic()
                self._say(number)
            for _ in range(round(rate * TURN_S)):
                self._say(next_pack)
                next_pack = (next_pack + 1) % len(self.packs)

    def _say(self, number: int) -> None:
        self._client.publish(f"packs/p{number}/telemetry", self.packs[number].says())
        self.published += 1

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def told(what: str, took_s: list[float], wanted: int) -> None:
    took = sorted(took_s)
    if not took:
        print(f"{what:4} none of {wanted} came")
        return
    p99 = took[ceil(0.99 * len(took)) - 1]
    print(f"{what:4} {len(took)} of {wanted}: median {1e3 * median(took):.1f} ms, "
          f"99th percentile {1e3 * p99:.1f} ms, at most {1e3 * took[-1]:.1f} ms")  # fmt: skip


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--rate", type=int, default=2_000)
    ask.add_argument("--packs", type=int, default=400)
    ask.add_argument("--stations", type=int, default=100)
    asked = ask.parse_args()
    sys.setswitchinterval(0.0005)
    Broker.SETTINGS = "log_type error\nset_tcp_nodelay true\n"
    folder = Path(tempfile.mkdtemp(prefix="latency-"))
    stage = Stage(folder)
    others = set(range(os.cpu_count() or 1)) - {SERVICE_CORE} or {SERVICE_CORE}
    os.sched_setaffinity(0, others)  # the broker that is started below, too
    try:
        port = stage.broker.port
        parts = [HEAD.format(port=port)]
        parts += [STATION.format(at=at) for at in range(asked.stations)]
        parts += [PACK.format(at=at, place=f'place = "S{at}"' if at < asked.stations else "")
                  for at in range(asked.packs)]  # fmt: skip
        (folder / "site.toml").write_text("".join(parts))
        (folder / "shelf.care").write_text(TEXT + RULE)
        bench = Bench(port, asked.packs, asked.stations)
        os.sched_setaffinity(0, {SERVICE_CORE})
        service = Program("service", [sys.executable, "-c", ENTRY, "run", "site.toml"], folder)
        os.sched_setaffinity(0, others)
        stage.programs.append(service)
        eventually(
            lambda: sum("read back off" in line.text for line in service.said) >= asked.stations,
            "every plug is proved off",
            60,
        )
        before, begun = cpu_s(service.pid), time.monotonic()
        bench.speak(asked.rate, [BEGINS, ENDS])
        used, lasted = cpu_s(service.pid) - before, time.monotonic() - begun
        print(f"{asked.packs} packs, {bench.published / lasted:.0f} messages a second for "
              f"{lasted:.0f} s; the service used {used / lasted:.0%} of its core, "
              f"{1e6 * used / bench.published:.0f} us a message; load of the machine "
              f"{os.getloadavg()[0]:.1f}")  # fmt: skip
        told("ON", bench.took_s[True], asked.stations)
        told("OFF", bench.took_s[False], asked.stations)
        told("all", bench.took_s[True] + bench.took_s[False], 2 * asked.stations)
        print(f"the sender itself was late by {1e3 * max(bench.late_s):.1f} ms at most")
        for line in service.said:
            if "dropped" in line.text or "Traceback" in line.text:
                print(line.text)
        bench.close()
        return int(sum(map(len, bench.took_s.values())) < 2 * asked.stations)
    finally:
        stage.close()
        shutil.rmtree(folder)


if __name__ == "__main__":
    sys.exit(main())

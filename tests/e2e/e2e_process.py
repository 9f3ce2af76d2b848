"""Programs, a broker and an eye on its wires: what a stage is made of.

Knows processes and MQTT. Does not know carerules' rules or plugs.
"""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from getpass import getuser
from pathlib import Path
from time import monotonic, sleep
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.subscribeoptions import SubscribeOptions
from ports_kit import free_port

ROOT = Path(__file__).resolve().parents[2]
ENTRY = "import sys; from carerules.cli import main; sys.argv[0] = 'carerules'; main()"
PATIENCE_S = 40.0
"""For what takes a second or two on a quiet machine; scenarios share two cores with each other."""
INDENT = " " * 26
"""How `carerules run` goes on with a sentence on the next line."""
TRACEBACK = "Traceback (most recent call last)"


def eventually(true: Callable[[], Any], what: str, within_s: float = PATIENCE_S) -> Any:
    """Wait for what other processes do; what it came to."""
    end = monotonic() + within_s
    while not (found := true()):
        if monotonic() > end:
            raise AssertionError(f"in {within_s:.0f} s it did not come to: {what}")
        sleep(0.02)
    return found


@dataclass(frozen=True, slots=True)
class Said:
    """One line of a program's output, and when it came (monotonic, s)."""

    at: float
    text: str


class Program:
    """A process of ours whose lines are read as they come."""

    def __init__(
        self, name: str, command: list[str], cwd: Path, packages: Sequence[Path] = ()
    ) -> None:
        """`packages`: folders of installed packages that it has besides those of the tests."""
        self.name, self.cwd = name, cwd
        env = {k: v for k, v in os.environ.items() if not k.startswith("CARERULES")}
        env |= {"COLUMNS": "80", "NO_COLOR": "1", "PYTHONUNBUFFERED": "1",
                "PYTHONPATH": os.pathsep.join(map(str, (ROOT, *packages)))}  # fmt: skip
        self.said: list[Said] = []
        self.wide = 0
        """The longest line that it printed."""
        self.process = subprocess.Popen(
            command, cwd=cwd, env=env, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT, text=True, errors="replace", start_new_session=True,
        )  # fmt: skip
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    @property
    def pid(self) -> int:
        return self.process.pid

    def _read(self) -> None:
        assert self.process.stdout is not None
        for raw in self.process.stdout:
            line = raw.rstrip("\n")
            self.wide = max(self.wide, len(line))
            if line.startswith(INDENT) and self.said:  # a sentence that goes on is one sentence
                first = self.said[-1]
                self.said[-1] = Said(first.at, f"{first.text} {line.strip()}")
            else:
                self.said.append(Said(monotonic(), line))

    def text(self) -> str:
        """All that it has said so far."""
        return "\n".join(line.text for line in tuple(self.said))

    def flat(self) -> str:
        """The same with wrapped lines joined, as single spaces."""
        return " ".join(self.text().split())

    def finds(self, words: str, after: float = 0.0) -> Said | None:
        """The first line with these words, said after a moment."""
        return next((s for s in tuple(self.said) if words in s.text and s.at > after), None)

    def awaits(self, words: str, within_s: float = PATIENCE_S, *, after: float = 0.0) -> Said:
        """Wait until it says these words; the line. A program that ends without them failed."""
        end = monotonic() + within_s
        while True:
            ended = self.process.poll() is not None and not self._reader.is_alive()
            found = self.finds(words, after)
            if found is not None:
                return found
            if ended or monotonic() > end:
                how = "ended without" if ended else f"did not in {within_s:.0f} s say"
                raise AssertionError(f"{self.name} {how} `{words}`:\n{self.text()}")
            sleep(0.02)

    def ends(self, within_s: float = PATIENCE_S) -> int:
        """Wait for its end; the exit status."""
        try:
            status = self.process.wait(within_s)
        except subprocess.TimeoutExpired:
            raise AssertionError(f"{self.name} did not end:\n{self.text()}") from None
        self._reader.join(PATIENCE_S)
        return status

    def send(self, number: int) -> None:
        self.process.send_signal(number)

    def leave(self, number: int = signal.SIGTERM, within_s: float = PATIENCE_S) -> int:
        """Ask it to end; the exit status."""
        self.send(number)
        return self.ends(within_s)

    def kill(self) -> float:
        """kill -9; when (monotonic, s)."""
        at = monotonic()
        self.process.kill()
        self.process.wait(PATIENCE_S)
        self._reader.join(5)  # what it began may live on, and hold the way open
        return at

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait(PATIENCE_S)
        self._reader.join(5)
        assert self.process.stdout is not None
        if not self._reader.is_alive():
            self.process.stdout.close()


class Broker:
    """A mosquitto of this stage's own."""

    BINARY = "/usr/sbin/mosquitto"
    SETTINGS = "log_type all\n"

    def __init__(self, folder: Path) -> None:
        assert Path(self.BINARY).exists(), (
            f"`{self.BINARY}` is not here: these tests need a real broker "
            "(Debian: `apt-get install mosquitto`)"
        )
        self._folder = folder
        self.process: subprocess.Popen[bytes] | None = None
        self.port = free_port()
        self.start()

    def start(self) -> None:
        settings = self._folder / "mosquitto.conf"
        # The port stays the same over a restart; nothing is kept by the broker over one.
        settings.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\nuser {getuser()}\n"
            f"persistence false\nmax_keepalive 60\nlog_dest stderr\n{self.SETTINGS}"
        )
        with (self._folder / "mosquitto.log").open("ab") as log:
            self.process = subprocess.Popen(
                [self.BINARY, "-c", str(settings)], stdout=log, stderr=log, start_new_session=True
            )
        eventually(self._answers, "mosquitto listens")

    def _answers(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, "mosquitto ended: look into its log"
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def send(self, number: int) -> None:
        assert self.process is not None
        self.process.send_signal(number)

    def first_word_s(self, topic: str) -> int:
        """Of the client that said something on a topic last: how long after both of its lines had
        come it first did so (s), by the broker's own clock."""
        log = (self._folder / "mosquitto.log").read_text(errors="replace")
        says = rf"^(\d+): Received PUBLISH from (\S+)-out .*'{re.escape(topic)}'"
        name = re.findall(says, log, re.MULTILINE)[-1][1]
        first = next(int(at) for at, who in re.findall(says, log, re.MULTILINE) if who == name)
        came = re.findall(
            rf"^(\d+): New client connected .* as {name}-(?:in|out) ", log, re.MULTILINE
        )
        assert len(came) >= 2, log[-3_000:]
        return first - max(int(at) for at in came[:2])

    def kill(self) -> float:
        at = monotonic()
        if self.process is not None:
            self.process.kill()
            self.process.wait(PATIENCE_S)
            self.process = None
        return at


@dataclass(frozen=True, slots=True)
class Heard:
    """One message that went over the broker, and when (monotonic, s)."""

    at: float
    topic: str
    payload: bytes
    retained: bool
    owner: int | None = None
    """The number of the ownership that it was sent under, as it says itself."""

    def table(self) -> dict[str, Any]:
        """The payload as a JSON object; empty for anything else."""
        try:
            found = json.loads(self.payload)
        except ValueError:
            return {}
        return found if isinstance(found, dict) else {}


def _owner_of(message: MQTTMessage) -> int | None:
    said = dict(getattr(message.properties, "UserProperty", ()) if message.properties else ())
    return int(said["carerules-owner"]) if "carerules-owner" in said else None


class Eye:
    """A plain client that sees everything that goes over the broker."""

    def __init__(self, port: int) -> None:
        self.heard: list[Heard] = []
        self._up = threading.Event()
        client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        client.on_connect = self._on_connect
        client.on_subscribe = lambda *_: self._up.set()
        client.on_message = self._on_message
        client.reconnect_delay_set(1, 1)
        client.connect_async("127.0.0.1", port, 60)
        client.loop_start()
        self.client = client
        # Only from the broker's answer on is everything seen that others say.
        assert self._up.wait(PATIENCE_S), "the broker does not let the eye look on"

    def _on_connect(self, client: Client, *_: object) -> None:
        # noLocal: what a test says itself is not seen by its own eye.
        client.subscribe("#", options=SubscribeOptions(qos=0, noLocal=True))

    def _on_message(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        self.heard.append(
            Heard(
                monotonic(),
                message.topic,
                bytes(message.payload),
                bool(message.retain),
                _owner_of(message),
            )
        )

    def on(self, topic: str, after: float = 0.0) -> list[Heard]:
        """What went over one topic after a moment."""
        return [one for one in tuple(self.heard) if one.topic == topic and one.at > after]

    def say(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        said = self.client.publish(topic, payload, qos=1, retain=retain)
        said.wait_for_publish(PATIENCE_S)
        assert said.is_published(), f"the broker did not take what was said on {topic}"

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

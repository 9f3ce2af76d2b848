"""What the tests with real processes share: programs, a broker, an eye on its wires, a site.

Each scenario gets a `Stage` of its own: a folder, a mosquitto on a free port of the loopback
address, and whatever programs it starts. Leaving the stage kills what still runs.

The scenarios mostly wait, so they run side by side (`side_by_side`); a limit in them is patience,
unless the words beside it name the promise that it checks.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from getpass import getuser
from itertools import count
from pathlib import Path
from time import monotonic, sleep
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

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

    def __init__(self, name: str, command: list[str], cwd: Path) -> None:
        self.name = name
        env = {k: v for k, v in os.environ.items() if not k.startswith("CARERULES")}
        env |= {"COLUMNS": "80", "NO_COLOR": "1", "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}
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
        self._reader.join(5)
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
        self.process.wait(10)
        self._reader.join(5)
        return at

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait(10)
        self._reader.join(5)
        assert self.process.stdout is not None
        if not self._reader.is_alive():
            self.process.stdout.close()


class Broker:
    """A mosquitto of this stage's own."""

    BINARY = "/usr/sbin/mosquitto"

    def __init__(self, folder: Path) -> None:
        assert Path(self.BINARY).exists(), (
            f"`{self.BINARY}` is not here: these tests need a real broker "
            "(Debian: `apt-get install mosquitto`)"
        )
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port: int = probe.getsockname()[1]
        self._folder = folder
        self.process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        settings = self._folder / "mosquitto.conf"
        # The port stays the same over a restart; nothing is kept by the broker over one.
        settings.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\nuser {getuser()}\n"
            "persistence false\nmax_keepalive 60\nlog_dest stderr\nlog_type all\n"
        )
        with (self._folder / "mosquitto.log").open("ab") as log:
            self.process = subprocess.Popen(
                [self.BINARY, "-c", str(settings)], stdout=log, stderr=log, start_new_session=True
            )
        eventually(self._answers, "mosquitto listens")

    def _answers(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def send(self, number: int) -> None:
        assert self.process is not None
        self.process.send_signal(number)

    def kill(self) -> float:
        at = monotonic()
        if self.process is not None:
            self.process.kill()
            self.process.wait(10)
            self.process = None
        return at


@dataclass(frozen=True, slots=True)
class Heard:
    """One message that went over the broker, and when (monotonic, s)."""

    at: float
    topic: str
    payload: bytes
    retained: bool

    def table(self) -> dict[str, Any]:
        """The payload as a JSON object; empty for anything else."""
        try:
            found = json.loads(self.payload)
        except ValueError:
            return {}
        return found if isinstance(found, dict) else {}


class Eye:
    """A plain client that sees everything that goes over the broker."""

    def __init__(self, port: int) -> None:
        self.heard: list[Heard] = []
        self._up = threading.Event()
        client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        client.on_connect = self._on_connect
        client.on_message = self._on_message
        client.reconnect_delay_set(1, 1)
        client.connect_async("127.0.0.1", port, 60)
        client.loop_start()
        self.client = client
        assert self._up.wait(PATIENCE_S), "the eye did not reach the broker"

    def _on_connect(self, client: Client, *_: object) -> None:
        # noLocal: what a test says itself is not seen by its own eye.
        client.subscribe("#", options=SubscribeOptions(qos=0, noLocal=True))
        self._up.set()

    def _on_message(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        self.heard.append(
            Heard(monotonic(), message.topic, bytes(message.payload), bool(message.retain))
        )

    def on(self, topic: str, after: float = 0.0) -> list[Heard]:
        """What went over one topic after a moment."""
        return [one for one in tuple(self.heard) if one.topic == topic and one.at > after]

    def say(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        self.client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(5)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


SITE = """name = "boat shed"
zone = "Europe/Lisbon"
rules = ["shed.care"]

[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "{capacity_ah} Ah"
place = "A"

[station.A]
load = {{ plug = "A-load", power = "{power_w} W" }}

[plug.A-load]
profile = "generic-json"
topic = "shed/a-load"
{plug_lines}

[feed.heron]
profile = "generic-json"
topic = "packs/heron"
pack = "heron"

[mqtt]
port = {port}
"""

RULES = """rule too-full
    because "it has been full for seconds"
    when pack.soc >= {full} for {held}:
        drain to {target}
        rest 5 s
"""
"""`rest` after the drain: the job ends with it, not after the twenty minutes in which a last line's
result settles."""

PLUG, PACK = "shed/a-load", "packs/heron"
SET, STATE, TRUTH, LINK = (f"{PLUG}/{leaf}" for leaf in ("set", "state", "truth", "link"))


class Stage:
    """A folder, a broker, an eye, and programs; all gone on leaving."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self.programs: list[Program] = []
        self._names = count(1)
        self._broker: Broker | None = None
        self._eye: Eye | None = None
        self.measured: list[str] = []

    @property
    def broker(self) -> Broker:
        if self._broker is None:
            self._broker = Broker(self.folder)
        return self._broker

    @property
    def eye(self) -> Eye:
        if self._eye is None:
            self._eye = Eye(self.broker.port)
        return self._eye

    # ---- what is on it -----------------------------------------------------------------------

    def site(
        self, *, capacity_ah: float = 1.0, power_w: float = 20.0, lease_s: int | None = None,
        full: str = "99.5 %", held: str = "3 s", target: str = "99 %", name: str = "site.toml",
    ) -> Path:  # fmt: skip
        """A small pack on one load: at 20 W its charge falls by one point in 45 s."""
        plug_lines = "" if lease_s is None else f'lease = "{lease_s} s"'
        path = self.folder / name
        path.write_text(SITE.format(
            capacity_ah=capacity_ah, power_w=power_w, port=self.broker.port, plug_lines=plug_lines
        ))  # fmt: skip
        (self.folder / "shed.care").write_text(RULES.format(full=full, held=held, target=target))
        return path

    def start(self, *words: object, name: str = "") -> Program:
        """`carerules WORDS`, in the stage's folder."""
        command = [sys.executable, "-c", ENTRY, *map(str, words)]
        program = Program(name or f"{words[0]}-{next(self._names)}", command, self.folder)
        self.programs.append(program)
        return program

    def run(self, *words: object, within_s: float = PATIENCE_S) -> Program:
        """`carerules WORDS` to its end; the exit status is in `.process.returncode`."""
        program = self.start(*words)
        program.ends(within_s)
        return program

    def plug(self, *options: object, power_w: float = 20.0) -> Program:
        return self.start(
            "pretend", "plug", "--port", self.broker.port, "--topic", PLUG, "--pack", PACK,
            "--load-power", power_w, *options, name="plug",
        )  # fmt: skip

    def pack(self, *options: object, soc: float = 100, capacity_ah: float = 1.0) -> Program:
        return self.start(
            "pretend", "pack", "--port", self.broker.port, "--topic", PACK, "--plug", PLUG,
            "--capacity", capacity_ah, "--soc", soc, "--every", 2, *options, name="pack",
        )  # fmt: skip

    def service(self, site: Path | str = "site.toml", *options: object) -> Program:
        return self.start("run", site, *options, name="service")

    def cast(self, *plug_options: object, power_w: float = 20.0) -> tuple[Program, Program]:
        """Plug and pack, on the line; and somebody has said that the pack was charged."""
        _ = self.eye
        pack = self.pack()
        charged = self.run("record", "heron", "charged")
        assert charged.process.returncode == 0, charged.text()
        pack.awaits("on the line")
        # Last, so that a fault that begins after some seconds finds the service at work.
        plug = self.plug(*plug_options, power_w=power_w)
        plug.awaits("on the line")
        return plug, pack

    # ---- what went over it -------------------------------------------------------------------

    def commands(self, after: float = 0.0) -> list[tuple[float, bool, dict[str, Any]]]:
        """What the plug was told: when, on or off, and the whole."""
        return [(h.at, bool(h.table().get("on")), h.table()) for h in self.eye.on(SET, after)]

    def ons(self, after: float = 0.0) -> list[float]:
        return [at for at, on, _ in self.commands(after) if on]

    def offs(self, after: float = 0.0) -> list[float]:
        return [at for at, on, _ in self.commands(after) if not on]

    def closed(self) -> bool:
        """Whether the contact is closed: the plug's truth, not its word."""
        told = self.eye.on(TRUTH)
        return bool(told and told[-1].table().get("closed"))

    def opened(self, after: float, within_s: float = PATIENCE_S) -> float:
        """When the contact opened after a moment (monotonic, s): its truth, not its word."""

        def open_since() -> float | None:
            return next(
                (h.at for h in self.eye.on(TRUTH, after) if h.table().get("closed") is False), None
            )

        found: float = eventually(open_since, "the contact opens", within_s)
        return found

    def until_on(self, service: Program, within_s: float = PATIENCE_S) -> float:
        """Wait until the load is on and current flows; when the plug was told (monotonic, s)."""
        service.awaits("A-load on", within_s)
        eventually(self.closed, "the contact closes")
        return self.ons()[-1]

    # ---- the end -----------------------------------------------------------------------------

    def close(self) -> None:
        for program in self.programs:
            program.close()
        if self._eye is not None:
            self._eye.close()
        if self._broker is not None:
            self._broker.kill()

    def account(self) -> str:
        """What every program said, for whoever looks into a failure."""
        parts = [f"---- {p.name} (pid {p.pid})\n{p.text()}" for p in self.programs]
        if self._eye is not None:
            start = self._eye.heard[0].at if self._eye.heard else 0.0
            told = [
                f"{h.at - start:7.2f} {h.topic} {h.payload[:80]!r}"
                for h in tuple(self._eye.heard)
                if h.topic in (SET, LINK)
            ]
            parts.append("---- the wire\n" + "\n".join(told[-60:]))
        return "\n".join(parts)


def sound(*programs: Program) -> None:
    """None of these printed a traceback."""
    for program in programs:
        assert TRACEBACK not in program.text(), program.text()


def side_by_side(body: Callable[[Stage], None]) -> Callable[..., None]:
    """A test that runs beside the others of its kind; see `conftest.Running`."""

    def test(running: Any) -> None:
        running.outcome(body)

    test.__name__, test.__doc__, test.__module__ = body.__name__, body.__doc__, body.__module__
    test.body = body  # type: ignore[attr-defined]
    return test

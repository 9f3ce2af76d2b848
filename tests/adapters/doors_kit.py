"""What the tests of the doors share: a site, a clock set by hand, and a real broker."""

from __future__ import annotations

import shutil
import signal
import socket
import subprocess
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from getpass import getuser
from pathlib import Path
from threading import Thread
from time import monotonic, sleep
from zoneinfo import ZoneInfo

from carerules.adapters import Sources
from carerules.domain.moment import LocalTime
from carerules.domain.pack import Limits, Pack, Plug, Side, Site, Socket, Station

BERLIN = ZoneInfo("Europe/Berlin")
"""A zone with a daylight saving time; any would do."""

LIMITS = Limits(
    cell_v_floor=3.3, cell_v_ceiling=4.2, cell_v_harm=2.8, drain_c_min=0, drain_c_max=45,
    charge_c_min=5, charge_c_max=45,
)  # fmt: skip
HERON = Pack("heron", "lipo", 4, 16.0, LIMITS)
EGRET = Pack("egret", "lipo", 6, 5.0, LIMITS)
PLUGS = {"A-load": Plug("A-load", "generic-json", {"topic": "bench/plug-1"})}
SITE = Site(
    "river",
    LocalTime(BERLIN),
    {"heron": HERON, "egret": EGRET},
    {"A": Station("A", load=Socket("A-load", 60.0))},
    PLUGS,
)
assert SITE.stations["A"].socket(Side.LOAD) is not None


@dataclass
class Hands:
    """The hands of a clock, set by the test, in ms."""

    wall: int = 1_764_921_600_000  # 2025-12-05T08:00Z
    boot: int = 1_000_000
    awake: int = 900_000
    boot_id: str = "first"

    def sources(self) -> Sources:
        return Sources(
            lambda: self.wall, lambda: self.boot, lambda: self.awake, lambda: self.boot_id
        )

    def run(self, ms: int) -> None:
        self.wall += ms
        self.boot += ms
        self.awake += ms

    def sleep(self, ms: int) -> None:
        self.wall += ms
        self.boot += ms


def eventually(true: Callable[[], bool], what: str, within_s: float = 60.0) -> None:
    """Wait for something that other processes do; the limit is patience, not a measurement."""
    end = monotonic() + within_s
    while not true():
        if monotonic() > end:
            raise AssertionError(f"in {within_s:.0f} s it did not come to: {what}")
        sleep(0.02)


@dataclass
class Broker:
    """A mosquitto of this test's own, on a free port of the loopback address."""

    folder: Path
    port: int
    lines: tuple[str, ...] = ()
    process: subprocess.Popen[bytes] | None = field(default=None)

    def start(self) -> None:
        binary = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
        assert binary, "these tests need mosquitto: install the package of that name"
        settings = self.folder / "mosquitto.conf"
        # As who runs the test: started by root it would drop to one who reads nothing here.
        settings.write_text(
            "\n".join((f"listener {self.port} 127.0.0.1", f"user {getuser()}", *self.lines, ""))
        )
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen([binary, "-c", str(settings)], stdout=log, stderr=log)
        eventually(self.answers, "mosquitto listens")

    def answers(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def stop(self, how: int = signal.SIGTERM) -> None:
        if self.process is not None:
            eventually(lambda: self._ends(how), "mosquitto ends")
            self.process = None

    def _ends(self, how: int) -> bool:
        """Told again where it does not: what comes while it begins is lost on it."""
        assert self.process is not None
        self.process.send_signal(how)
        with suppress(subprocess.TimeoutExpired):
            self.process.wait(3)
        return self.process.returncode is not None


class Way:
    """The network between us and a broker, which can be cut, or swallow what we send."""

    def __init__(self, broker_port: int) -> None:
        self._broker_port = broker_port
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        self.open, self.swallowing = True, False
        self._ends: list[socket.socket] = []
        self._threads = [Thread(target=self._accept)]
        self._threads[0].start()

    def cut(self) -> None:
        self.open = False
        for end in self._ends:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def mend(self) -> None:
        self.open, self.swallowing = True, False

    def close(self) -> None:
        self.cut()
        self._server.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join(60)
        self._server.close()
        for end in self._ends:
            end.close()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                ours, _ = self._server.accept()
                if not self.open:
                    ours.close()
                    continue
                theirs = socket.create_connection(("127.0.0.1", self._broker_port))
                self._ends += [ours, theirs]
                for source, target in ((ours, theirs), (theirs, ours)):
                    thread = Thread(target=self._pump, args=(source, target, source is ours))
                    self._threads.append(thread)
                    thread.start()

    def _pump(self, source: socket.socket, target: socket.socket, outward: bool) -> None:
        with suppress(OSError):
            while data := source.recv(65_536):
                if not (outward and self.swallowing):
                    target.sendall(data)
        with suppress(OSError):
            target.shutdown(socket.SHUT_RDWR)

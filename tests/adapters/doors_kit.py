"""What the tests of the doors share: a site, a clock set by hand, and a real broker."""

from __future__ import annotations

import shutil
import signal
import socket
import subprocess
from collections.abc import Callable
from dataclasses import dataclass, field
from getpass import getuser
from pathlib import Path
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


def eventually(true: Callable[[], bool], what: str, within_s: float = 15.0) -> None:
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
            self.process.send_signal(how)
            self.process.wait(10)
            self.process = None

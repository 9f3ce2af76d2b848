"""What `fault_times.py` does to real processes: the stage of one run, and each fault on it.

Knows how a fault is brought about, and when the plug's contact opened. Does not know how often one
is played, or what is shown of it.
"""

from __future__ import annotations

import random
import signal
import sys
import threading
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from time import monotonic, sleep

ROOT = Path(__file__).resolve().parents[1]
for folder in (ROOT, ROOT / "tests", ROOT / "tests" / "e2e", ROOT / "benchmarks"):
    sys.path.insert(0, str(folder))

from e2e_kit import PACK, PLUG, RULES, SITE, Program, Stage, eventually  # noqa: E402
from tcp_link import Link  # noqa: E402

from carerules.adapters import SqliteJournal  # noqa: E402
from carerules.domain.event import ClockSet  # noqa: E402

SHORT_S, LONG_S = 30, 90
"""The shortest lease that a site file may have, and the one it has unless it says otherwise. The
renewal, each 20 s, does not scale with it."""
SPARE_S = 5
"""SAFETY 1: 95 s for a lease of 90 s."""
RENEW_S = 20.0
OWN_WORD_S = 10
"""SAFETY 5: OFF within 10 s where the plug can be reached."""
DATA_S = 75
"""SAFETY 1: off at most 75 s after data becomes doubtful; the lease has no part in it."""
LONGER_S = 20
"""Waited beyond the bound before a run is given up as not opened."""

PORTS = threading.Lock()
"""A broker's free port is found first and taken a moment later: nobody else takes one meanwhile."""

SHIFTING = """
import os, signal, sys, time
shift_ns, real_ns, real = [0], time.clock_gettime_ns, time.time
def read(clock):
    return real_ns(clock) + (shift_ns[0] if clock == time.CLOCK_REALTIME else 0)
def set_clock(*_):
    shift_ns[0] = int(open("shift").read()) * 1_000_000_000
time.clock_gettime_ns = read
time.time = lambda: real() + shift_ns[0] / 1e9
time.time_ns = lambda: read(time.CLOCK_REALTIME)
signal.signal(signal.SIGUSR1, set_clock)
from carerules.cli import main
sys.argv[0] = "carerules"
main()
"""
"""The service with a wall clock of its own, which is set when SIGUSR1 comes. Every other clock is
the host's."""


@dataclass
class Play:
    """One run: the processes, the links, and the moment of the fault."""

    stage: Stage
    lease_s: int
    seed: int
    up: Link = field(init=False, default=None)  # type: ignore[assignment]
    """Between the service and the broker."""
    down: Link = field(init=False, default=None)  # type: ignore[assignment]
    """Between the plug and the broker."""
    plug: Program = field(init=False)
    pack: Program = field(init=False)
    service: Program = field(init=False)

    def begin(self) -> None:
        """Everything up, the load on and renewed, and a moment by chance within a renewal."""
        stage = self.stage
        with PORTS:
            self.up, self.down = (Link(stage.broker.port, self.seed + n) for n in (0, 1))
        (stage.folder / "site.toml").write_text(SITE.format(
            capacity_ah=1, power_w=20, port=self.up.port,
            plug_lines=f'lease = "{self.lease_s} s"\nrequire_proof = false',
        ))  # fmt: skip
        # Nine points: the drain itself ends minutes after every bound here.
        (stage.folder / "shed.care").write_text(
            RULES.format(full="99.5 %", held="3 s", target="90 %")
        )
        self.pack = stage.pack()
        stage.run("record", "heron", "charged")
        self.plug = stage.start("pretend", "plug", "--port", self.down.port, "--topic", PLUG,
                                "--pack", PACK, "--load-power", 20, name="plug")  # fmt: skip
        self.plug.awaits("on the line")
        self.service = Program("service", [sys.executable, "-c", SHIFTING, "run", "site.toml"],
                               stage.folder)  # fmt: skip
        stage.programs.append(self.service)
        self.plug.awaits("contact closed", 90)
        # The phase decides how much of the lease is left: spread over a whole renewal, by a seed.
        sleep(2 + random.Random(self.seed).random() * RENEW_S)

    def opens(self, after: float, within_s: float) -> float | None:
        """When the contact opened; None: it did not."""

        def found() -> float | None:
            return next((s.at for s in tuple(self.plug.said)
                         if "contact open" in s.text and s.at > after), None)  # fmt: skip

        try:
            at: float = eventually(found, "the contact opens", within_s)
        except AssertionError:
            return None
        return at

    def close(self) -> None:
        for program in self.stage.programs:
            if program.process.poll() is None:
                program.send(signal.SIGCONT)
        self.stage.close()
        for link in (self.up, self.down):
            if link is not None:
                link.close()


Do = Callable[[Play], float]
"""Does the fault; when (monotonic, s)."""


def gone(play: Play) -> float:
    return play.service.kill()


def stopped(play: Play) -> float:
    at = monotonic()
    play.service.send(signal.SIGSTOP)
    return at


def broker_gone(play: Play) -> float:
    return play.stage.broker.kill()


def broker_again(play: Play) -> float:
    at = play.stage.broker.kill()
    sleep(3)
    play.stage.broker.start()
    return at


def cut_up(play: Play) -> float:
    at, play.up.is_cut = monotonic(), True
    return at


def cut_down(play: Play) -> float:
    at, play.down.is_cut = monotonic(), True
    return at


def telemetry_stops(play: Play) -> float:
    at = monotonic()
    play.pack.send(signal.SIGSTOP)
    return at


def clock_set_then_gone(by_s: int) -> Do:
    """Nothing here goes by the wall clock, so a load may go on; what must hold is that its time
    does not get longer by it."""

    def do(play: Play) -> float:
        (play.stage.folder / "shift").write_text(str(by_s))
        play.service.send(signal.SIGUSR1)
        sleep(RENEW_S + 3)  # it was renewed by a service that has noticed
        with closing(
            SqliteJournal.open(play.stage.folder / "state/journal.db", owner=False)
        ) as kept:
            heard = [event for _, event in kept.recent(200) if isinstance(event, ClockSet)]
        assert heard, "the service did not notice that its clock was set"
        return play.service.kill()

    return do


def stop_typed(play: Play) -> float:
    at = monotonic()
    play.stage.start("stop")
    return at


def asked_to_leave(play: Play) -> float:
    at = monotonic()
    play.service.send(signal.SIGTERM)
    return at


def slow_then_leave(play: Play) -> float:
    play.up.late_s = 5.0
    sleep(15)
    return asked_to_leave(play)


def slow_then_gone(play: Play) -> float:
    """What was on its way still comes."""
    play.up.late_s = 5.0
    sleep(15)
    return play.service.kill()


def lossy_then_leave(play: Play) -> float:
    play.up.loss = play.down.loss = 0.3
    sleep(15)
    return asked_to_leave(play)


@dataclass(frozen=True)
class Fault:
    """What is done, what it is called, and by when the contact must be open."""

    name: str
    words: str
    do: Do
    bound: Callable[[int], int]
    long: bool = False
    """Played with the long lease, too: the lease is what opens the contact."""


def by_lease(lease_s: int) -> int:
    return lease_s + SPARE_S


FAULTS = (
    Fault("kill", "service: kill -9, not started again", gone, by_lease, long=True),
    Fault("pause", "service: SIGSTOP", stopped, by_lease, long=True),
    Fault("broker-gone", "broker: kill -9, not started again", broker_gone, by_lease),
    Fault("broker-again", "broker: kill -9, started again 3 s later", broker_again, by_lease,
          long=True),
    Fault("cut-service", "link service to broker: cut", cut_up, by_lease, long=True),
    Fault("cut-plug", "link plug to broker: cut", cut_down, by_lease, long=True),
    Fault("slow-gone", "link service to broker 5 s late each way for 15 s, then kill -9: from the "
          "kill", slow_then_gone, by_lease),
    Fault("slow-leave", "the same for 15 s, then SIGTERM: from the signal", slow_then_leave,
          by_lease),
    Fault("loss-leave", "30 % of messages lost on both links for 15 s, then SIGTERM: from the "
          "signal", lossy_then_leave, by_lease),
    Fault("telemetry", "pack: telemetry stops", telemetry_stops, lambda _: DATA_S),
    Fault("clock-on", "wall clock of the service 1 h on, 23 s later kill -9: from the kill",
          clock_set_then_gone(3_600), by_lease),
    Fault("clock-back", "wall clock of the service 2 h back, 23 s later kill -9: from the kill",
          clock_set_then_gone(-7_200), by_lease),
    Fault("stop", "`carerules stop` typed: from the start of the command", stop_typed,
          lambda _: OWN_WORD_S),
    Fault("leave", "service: SIGTERM", asked_to_leave, lambda _: OWN_WORD_S),
)  # fmt: skip

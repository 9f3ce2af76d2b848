"""What the supervisor is told. Source: systemd's manual page sd_notify(3) for the words, the socket
and the abstract address; sd_watchdog_enabled(3) for WATCHDOG_USEC and WATCHDOG_PID."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Iterator
from configparser import ConfigParser
from pathlib import Path

import pytest

from carerules.adapters import Supervisor
from carerules.calendar.worker import MEMORY_BYTES_MAX

UNIT = Path(__file__).parents[2] / "integrations" / "service" / "carerules.service"


@pytest.fixture
def listener(tmp_path: Path) -> Iterator[tuple[str, socket.socket]]:
    path = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as one:
        one.bind(path)
        one.setblocking(False)
        yield path, one


def heard(one: socket.socket) -> list[str]:
    words = []
    while True:
        try:
            words.append(one.recv(4_096).decode())
        except BlockingIOError:
            return words


def test_a_service_that_is_not_well_is_not_said_to_live(
    listener: tuple[str, socket.socket],
) -> None:
    path, one = listener
    well, now = [True], [0]
    env = {"NOTIFY_SOCKET": path, "WATCHDOG_USEC": "30000000"}
    told = Supervisor(lambda: now[0], env, well=lambda: well[0])
    told.alive()
    well[0] = False
    for now[0] in range(0, 60_000, 500):
        told.alive()
    assert heard(one) == ["WATCHDOG=1"]
    well[0] = True
    told.alive()
    assert heard(one) == ["WATCHDOG=1"]
    told.close()


def test_ready_alive_stopping(listener: tuple[str, socket.socket]) -> None:
    path, one = listener
    now = [0]
    told = Supervisor(lambda: now[0], {"NOTIFY_SOCKET": path, "WATCHDOG_USEC": "30000000"})
    told.ready("boat shed:\nlistening")
    for now[0] in range(0, 30_000, 500):  # the loop comes round twice a second for 30 s
        told.alive()
    told.stopping()
    told.close()
    told.alive()
    assert heard(one) == [
        "READY=1\nSTATUS=boat shed: listening", *["WATCHDOG=1"] * 4, "STOPPING=1",
    ]  # fmt: skip


def test_an_abstract_address() -> None:
    name = f"carerules-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as one:
        one.bind(f"\0{name}")
        one.setblocking(False)
        told = Supervisor(lambda: 0, {"NOTIFY_SOCKET": f"@{name}"})
        told.ready("x")
        told.close()
        assert heard(one) == ["READY=1\nSTATUS=x"]


@pytest.mark.parametrize(
    "env",
    [
        {},
        {"WATCHDOG_USEC": "0"},
        {"WATCHDOG_USEC": "soon"},
        {"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": str(os.getpid() + 1)},
    ],
)
def test_nobody_waits_for_a_sign_of_life(
    listener: tuple[str, socket.socket], env: dict[str, str]
) -> None:
    path, one = listener
    told = Supervisor(lambda: 0, {"NOTIFY_SOCKET": path, **env})
    told.alive()
    told.close()
    assert heard(one) == []


@pytest.mark.parametrize("path", ["", "relative/path", "/nobody/listens/here"])
def test_a_supervisor_that_is_not_there_ends_nothing(path: str) -> None:
    told = Supervisor(lambda: 0, {"NOTIFY_SOCKET": path, "WATCHDOG_USEC": "1000"})
    told.ready("x")
    told.alive()
    told.stopping()
    told.close()


# ---- the unit file -----------------------------------------------------------------------------


def unit() -> ConfigParser:
    read = ConfigParser(strict=False, interpolation=None, delimiters=("=",))
    read.optionxform = str  # type: ignore[assignment,method-assign]
    read.read_string(UNIT.read_text("utf-8"))
    return read


def test_the_unit_waits_for_ready_and_feeds_the_watchdog_in_time() -> None:
    service = unit()["Service"]
    assert (service["Type"], service["NotifyAccess"]) == ("notify", "main")
    # The loop waits at most a second; a lease lasts 90 s at most (SAFETY 1).
    assert 4 <= int(service["WatchdogSec"]) <= 60
    # On leaving OFF is read back for up to 12 s (`service.run.LEAVE_WITHIN`).
    assert int(service["TimeoutStopSec"]) > 12 + 2
    assert service["Restart"] == "always"
    assert unit()["Unit"]["StartLimitIntervalSec"] == "0"  # it is never given up
    assert service["KillSignal"] == "SIGTERM"


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("NoNewPrivileges", "yes"), ("ProtectSystem", "strict"), ("ProtectHome", "yes"),
        ("PrivateTmp", "yes"), ("PrivateDevices", "yes"), ("ProtectClock", "yes"),
        ("ProtectKernelTunables", "yes"), ("ProtectKernelModules", "yes"),
        ("ProtectControlGroups", "yes"), ("RestrictNamespaces", "yes"),
        ("RestrictSUIDSGID", "yes"), ("LockPersonality", "yes"), ("CapabilityBoundingSet", ""),
        ("StateDirectory", "carerules"), ("UMask", "0077"), ("User", "carerules"),
    ],
)  # fmt: skip
def test_the_unit_is_shut_in(key: str, value: str) -> None:
    """systemd.exec(5)."""
    assert unit()["Service"][key] == value


def test_the_unit_lets_off_be_said_through_plug_ins_while_it_leaves() -> None:
    """systemd.kill(5): `mixed` sends SIGTERM to the main process only, and SIGKILL to all that is
    left at the end; `control-group` would end those that OFF is said through."""
    assert unit()["Service"]["KillMode"] == "mixed"
    assert unit()["Service"]["ExecReload"].split()[-2:] == ["-HUP", "$MAINPID"]


def test_the_unit_outlives_what_eats_memory_beside_it() -> None:
    """systemd.service(5): with OOMPolicy `stop`, the default, the service is ended when any of its
    processes was; systemd.exec(5): LimitCORE."""
    service = unit()["Service"]
    assert service["OOMPolicy"] == "continue"
    assert service["LimitCORE"] == "0"
    room = int(service["MemoryMax"].removesuffix("M")) << 20
    assert room >= 2 * MEMORY_BYTES_MAX, "the service, and a calendar at its limit beside it"
    # Ten plugs by plug-ins: a thread here, two processes each with two threads.
    assert int(service["TasksMax"]) >= 48 + 10 * 5


def test_what_reads_calendars_goes_before_the_service_where_memory_runs_out() -> None:
    """proc_pid_oom_score_adj(5): 1000 is ended first."""
    confined = (
        "from carerules.calendar.worker import confine\nconfine()\n"
        "print(open('/proc/self/oom_score_adj').read())"
    )
    told = subprocess.run([sys.executable, "-c", confined], capture_output=True, text=True,
                          check=True)  # fmt: skip
    assert told.stdout.split() == ["1000"]


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd is not here")
def test_systemd_finds_nothing_wrong_with_the_unit(tmp_path: Path) -> None:
    """Of its own man page: `verify` loads unit files and prints warnings of what is unknown."""
    here = tmp_path / UNIT.name
    text = UNIT.read_text("utf-8").replace("/opt/carerules/bin/carerules", sys.executable)
    here.write_text(text)

    def told() -> str:
        verified = subprocess.run(["systemd-analyze", "verify", "--man=no", str(here)],
                                  capture_output=True, text=True, check=False)  # fmt: skip
        return "\n".join(one for one in verified.stderr.splitlines() if UNIT.name in one)

    assert told() == ""
    here.write_text(text.replace("OOMPolicy=continue", "OOMPolicy=go on"))
    assert "OOM" in told(), "it looks indeed"


def test_the_unit_may_reach_broker_and_supervisor_and_no_other_family() -> None:
    families = set(unit()["Service"]["RestrictAddressFamilies"].split())
    assert families == {"AF_INET", "AF_INET6", "AF_UNIX"}


def test_the_unit_lets_the_board_listen_and_ask_for_the_past() -> None:
    service = unit()["Service"]
    assert "AF_INET" in service["RestrictAddressFamilies"].split()
    assert "PrivateNetwork" not in service
    assert "IPAddressDeny" not in service
    # Threads of the service and of the board's answers, and a process for the past.
    assert int(service["TasksMax"]) >= 48


def test_no_key_of_the_unit_stands_twice_but_the_filter() -> None:
    keys = [line.partition("=")[0] for line in UNIT.read_text("utf-8").splitlines()
            if "=" in line and not line.startswith("#")]  # fmt: skip
    assert {key for key in keys if keys.count(key) > 1} == {"SystemCallFilter"}

"""A supervised service reads its rules again on SIGHUP: checked, everything off, then swapped; and
it looks at its calendars before their turn.
Common practice, no source."""

from __future__ import annotations

import signal
import socket
import sys
from contextlib import suppress
from threading import Thread

from e2e_kit import ENTRY, Program, Stage, eventually, side_by_side, sound

CALENDAR = """
[calendar.crew]
file = "crew.ics"
[calendar.crew.event.survey]
words = ["survey"]
packs = ["heron"]
"""
READ_WITHIN_S = 120.0
"""A calendar is read apart, after all else that the machine has to do: in 90 s at most."""


class Supervisor:
    """Takes each word as it comes: the system keeps ten for who does not, and loses the rest."""

    def __init__(self, listener: socket.socket) -> None:
        self.heard: list[bytes] = []
        self._listener = listener
        Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        with suppress(OSError):  # closed with a test that failed
            while self.heard[-1:] != [b"STOPPING=1"]:
                self.heard.append(self._listener.recv(1_000))


@side_by_side
def test_edited_rules_are_checked_and_then_swapped(stage: Stage) -> None:
    site = stage.site(target="90 %")  # not over before a busy machine comes to the swap
    site.write_text(site.read_text() + CALENDAR)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        # Abstract: a path of a test's folder may be too long for a socket.
        listener.bind(f"\0carerules-{stage.folder.name}-{id(stage)}")
        supervisor = Supervisor(listener)
        name = f"@carerules-{stage.folder.name}-{id(stage)}"
        plug, _ = stage.cast()
        command = ["env", f"NOTIFY_SOCKET={name}", "WATCHDOG_USEC=4000000", sys.executable, "-c",
                   ENTRY, "run", "site.toml"]  # fmt: skip
        service = Program("service", command, stage.folder)
        stage.programs.append(service)
        eventually(lambda: len(supervisor.heard) >= 2, "it is ready, and lives")
        assert supervisor.heard[:2] == [b"READY=1\nSTATUS=boat shed: listening", b"WATCHDOG=1"]
        on = stage.until_on(service)
        file = stage.folder / "shed.care"
        good = file.read_text()

        file.write_text(good.replace("drain to", "drian to"))
        service.awaits("calendar crew: no such file or directory")
        (stage.folder / "crew.ics").write_text("half of it")
        service.send(signal.SIGHUP)
        refused = service.awaits("SIGHUP: refused: 1 error, first:")
        # Five minutes before its turn.
        service.awaits("calendar crew: found no calendar", READ_WITHIN_S)
        assert not stage.offs(after=on)  # what ran goes on
        assert stage.closed()

        file.write_text(good + '\nrule other\n    when pack.soc < 10 %: notify "low"\n')
        service.send(signal.SIGHUP)
        service.awaits("SIGHUP: taken up: new other")
        eventually(lambda: stage.offs(refused.at), "OFF on the wire")
        # By its own lines: what comes over the wire may be seen a moment after them.
        words = ("A-load off", "A-load read back off", "SIGHUP: taken up")
        said = [service.finds(word, after=refused.at) for word in words]
        order = [service.said.index(one) for one in said if one is not None]
        assert len(order) == len(words)
        assert order == sorted(order)
        service.awaits("waiting, begins anew after a start")  # and must qualify again
        assert service.leave() == 0, service.text()
        eventually(lambda: b"STOPPING=1" in supervisor.heard, "that it leaves is told")
        until = supervisor.heard.index(b"STOPPING=1")
        assert set(supervisor.heard[1:until]) == {b"WATCHDOG=1"}
    sound(service, plug)

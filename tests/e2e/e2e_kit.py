"""What the tests with real processes share: programs, a broker, an eye on its wires, a site.

Each scenario gets a `Stage` of its own: a folder, a mosquitto on a free port of the loopback
address, and whatever programs it starts. Leaving the stage kills what still runs.

The scenarios mostly wait, so they run side by side (`side_by_side`); a limit in them is patience,
unless the words beside it name the promise that it checks.
"""

from __future__ import annotations

import os
import re
import signal
import sys
from collections.abc import Callable
from contextlib import suppress
from itertools import count
from pathlib import Path
from typing import Any

from e2e_process import (
    ENTRY,
    PATIENCE_S,
    ROOT,
    TRACEBACK,
    Broker,
    Eye,
    Heard,
    Program,
    Said,
    eventually,
)

__all__ = [
    "ENTRY",
    "ROOT",
    "TRACEBACK",
    "Heard",
    "Program",
    "Said",
    "Stage",
    "end_served",
    "eventually",
    "side_by_side",
    "sound",
]  # fmt: skip

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
        self.packages: list[Path] = []
        """Folders of installed packages that every program has besides."""
        self._also: list[Callable[[], object]] = []

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
        proved: bool = True,
    ) -> Path:  # fmt: skip
        """A small pack on one load: at 20 W its charge falls by one point in 45 s."""
        plug_lines = "" if lease_s is None else f'lease = "{lease_s} s"'
        if proved:  # as if: a test of something else does not wait for a proof
            plug_lines += "\nrequire_proof = false"
        path = self.folder / name
        path.write_text(SITE.format(
            capacity_ah=capacity_ah, power_w=power_w, port=self.broker.port, plug_lines=plug_lines
        ))  # fmt: skip
        (self.folder / "shed.care").write_text(RULES.format(full=full, held=held, target=target))
        return path

    def start(self, *words: object, name: str = "") -> Program:
        """`carerules WORDS`, in the stage's folder."""
        command = [sys.executable, "-c", ENTRY, *map(str, words)]
        name = name or f"{words[0]}-{next(self._names)}"
        program = Program(name, command, self.folder, self.packages)
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

    def closed_at(self) -> float | None:
        """When the contact first closed (monotonic, s): its truth, not its word."""
        return next((h.at for h in self.eye.on(TRUTH) if h.table().get("closed")), None)

    def opened(self, after: float, within_s: float = PATIENCE_S) -> float:
        """When the contact opened after a moment (monotonic, s): its truth, not its word."""

        def open_since() -> float | None:
            return next(
                (h.at for h in self.eye.on(TRUTH, after) if h.table().get("closed") is False), None
            )

        found: float = eventually(open_since, "the contact opens", within_s)
        return found

    def is_opened(self) -> None:
        """The plug was read back off: its contact is open, as soon as the eye has seen it, and not
        by its own timer."""
        eventually(lambda: not self.closed(), "the contact is open")
        for program in self.programs:
            assert program.finds("timer ran out") is None, program.text()

    def until_on(self, service: Program, within_s: float = PATIENCE_S) -> float:
        """Wait until the load is on and current flows; when the plug was told (monotonic, s)."""
        service.awaits("A-load on", within_s)
        eventually(self.closed, "the contact closes")
        return self.ons()[-1]

    # ---- the end -----------------------------------------------------------------------------

    def also(self, end: Callable[[], object]) -> None:
        """Call this, too, when the stage is left."""
        self._also.append(end)

    def close(self) -> None:
        for end in self._also:
            end()
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


def end_served(programs: list[Program]) -> None:
    """What `carerules serve` began goes on without it, so it is ended with it; a number that is
    another process's by now is left alone."""
    for program in programs:
        for number in re.findall(r"served here \(process (\d+)\)", program.text()):
            with suppress(OSError):
                words = Path(f"/proc/{number}/cmdline").read_bytes().split(b"\0")
                if b"carerules" in words and str(program.cwd).encode() in b" ".join(words):
                    os.kill(int(number), signal.SIGKILL)


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

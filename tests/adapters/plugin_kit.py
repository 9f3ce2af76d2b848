"""What the tests of plug-ins share: the example installed from its folder, other packages made up
on the spot, and the relay that they reach, in lines of text over TCP."""

from __future__ import annotations

import os
import re
import shutil
import socketserver
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Lock, Thread
from time import monotonic

import pytest
from ports_kit import free_port

EXAMPLE = Path(__file__).parents[2] / "examples" / "plug-in"
UNTIMED = """[on]
topic = "relay"
payload = "close 3600"
answer = [{ pointer = "/done", word = "close" }]
"""
PROFILE = EXAMPLE / "integrations" / "plugs" / "weir-relay.toml"


def installed_example(where: Path) -> Path:
    """The folder into which pip has installed the example, without asking anybody."""
    source, target = where / "source", where / "installed"
    shutil.copytree(EXAMPLE, source)
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index",
           "--no-build-isolation", "--disable-pip-version-check", "--target", str(target),
           str(source)]  # fmt: skip
    done = subprocess.run(pip, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr
    return target


def made_package(where: Path, name: str, code: str, version: str = "1.0") -> Path:
    """A folder with a package as an installer leaves it (the packaging specification "Recording
    installed projects"): a module, whose `Maker` the entry point names."""
    module = name.replace("-", "_")
    where.mkdir(parents=True, exist_ok=True)
    (where / f"{module}.py").write_text(code)
    told = where / f"{module}-{version}.dist-info"
    told.mkdir()
    (told / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n")
    (told / "entry_points.txt").write_text(f"[carerules.plugins]\n{name} = {module}:Maker\n")
    return where


def untimed(where: Path) -> Path:
    """The example's profile, as of a relay that has no timer of its own."""
    text = re.sub(r"\[\[timer\]\].*?(?=\n\[|\Z)", "", PROFILE.read_text(), flags=re.S)
    text = re.sub(r"\[on_for\].*?(?=\n\[)", UNTIMED, text, flags=re.S)
    path = where / "integrations" / "plugs" / PROFILE.name
    path.parent.mkdir(parents=True)
    path.write_text(text)
    return path


def seen(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Have a folder of packages count as installed, here and in processes that begin here."""
    monkeypatch.syspath_prepend(str(folder))
    paths = [str(folder), *filter(None, [os.environ.get("PYTHONPATH")])]
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(paths))


class Relay:
    """The relay's own truth: its contact, its timer, what it was told, and whether it is there."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._until = 0.0
        self.told: list[str] = []
        self.password = ""
        self.obeys = self.there = self.keeps_time = True

    def closed(self) -> bool:
        return monotonic() < self._until

    @contextmanager
    def cut(self) -> Iterator[None]:
        self.there = False
        try:
            yield
        finally:
            self.there = True

    def say(self, line: str) -> str:
        with self._lock:
            self.told.append(line)
            match line.split():
                case ["state"]:
                    left = max(0.0, self._until - monotonic())
                    shown = f"{'closed' if left else 'open'} {20.0 if left else 0.0}"
                    return f"state {shown} {round(left)}"
                case ["open"]:
                    self._until = 0.0 if self.obeys else self._until
                case ["close", seconds]:
                    lasts = float(seconds) if self.keeps_time else 3_600.0
                    self._until = monotonic() + lasts
                case _:
                    return "what"
            return "done"


class _Talk(socketserver.StreamRequestHandler):
    def handle(self) -> None:
        relay: Relay = self.server.relay  # type: ignore[attr-defined]
        line = self.rfile.readline(200).decode().strip()
        if relay.password:
            if line != f"I am {relay.password}":
                self.wfile.write(b"who are you\n")
                return
            line = self.rfile.readline(200).decode().strip()
        if relay.there:
            self.wfile.write(f"{relay.say(line)}\n".encode())


@contextmanager
def relay_at() -> Iterator[tuple[Relay, str]]:
    """A relay, and its address."""

    class Server(socketserver.ThreadingTCPServer):
        daemon_threads = True
        allow_reuse_address = True

    with Server(("127.0.0.1", 0), _Talk) as server:
        server.relay = relay = Relay()  # type: ignore[attr-defined]
        thread = Thread(target=server.serve_forever, args=(0.05,), daemon=True)
        thread.start()
        try:
            yield relay, f"127.0.0.1:{server.server_address[1]}"
        finally:
            server.shutdown()
            thread.join()


def nobody() -> str:
    """An address at which nobody listens."""
    return f"127.0.0.1:{free_port()}"

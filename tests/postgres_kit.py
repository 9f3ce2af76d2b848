"""A PostgreSQL server of the tests' own, in a temporary folder, gone with them.

The server refuses to run as root (its `main.c`): under root it runs as the account that Debian's
package makes for it, or as `nobody`. It asks for a password, as one that is reached over a network
does; the tests find theirs as a service would, by PGPASSFILE.
"""

from __future__ import annotations

import os
import pwd
import secrets
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Any

from ports_kit import free_port

from carerules.adapters import PostgresPlace

USER = "survey"


class Server:
    """One server: `place()` gives a schema of its own to each who asks."""

    def __init__(self, folder: Path, settings: tuple[str, ...] = ()) -> None:
        self.folder, self.data, self.settings = folder, folder / "data", settings
        self.port = free_port()
        self.url = f"postgresql://{USER}@127.0.0.1:{self.port}/postgres"
        self.password = secrets.token_hex(8)
        self.passfile = folder / "pgpass"
        self.passfile.write_text(f"127.0.0.1:*:*:{USER}:{self.password}\n")
        self.passfile.chmod(0o600)
        self._numbers = count(1)
        self._as: dict[str, Any] = {}
        if os.geteuid() == 0:
            names = {one.pw_name: one for one in pwd.getpwall()}
            runs_as = names.get("postgres") or names["nobody"]
            self._as = {"user": runs_as.pw_uid, "group": runs_as.pw_gid, "extra_groups": []}
            folder.chmod(0o755)
            self.data.mkdir()
            os.chown(self.data, runs_as.pw_uid, runs_as.pw_gid)
        self._process: subprocess.Popen[bytes] | None = None

    def make(self) -> None:
        told = self.folder / "password"
        told.write_text(self.password)
        told.chmod(0o600)
        if self._as:
            os.chown(told, self._as["user"], self._as["group"])
        said = subprocess.run(
            [_program("initdb"), "-D", self.data, "-U", USER, "-E", "UTF8", "--locale=C",
             "--auth=scram-sha-256", f"--pwfile={told}", "--no-instructions"],
            capture_output=True, check=False, cwd="/", **self._as,
        )  # fmt: skip
        told.unlink()
        assert said.returncode == 0, said.stderr.decode()

    def start(self) -> None:
        log = (self.folder / "log").open("ab")
        self._process = subprocess.Popen(
            [_program("postgres"), "-D", self.data, "-p", str(self.port), "-h", "127.0.0.1",
             "-k", "", "-c", "max_connections=60", *self.settings],
            stdout=log, stderr=log, cwd="/", start_new_session=True, **self._as,
        )  # fmt: skip
        log.close()
        for _ in range(1_200):
            if self._is_ready():
                return
            assert self._process.poll() is None, (self.folder / "log").read_text()
            time.sleep(0.05)
        raise AssertionError("the server did not start within a minute")

    def _is_ready(self) -> bool:
        """By the server's own file: its process first, its state in the eighth line."""
        assert self._process is not None
        try:
            lines = (self.data / "postmaster.pid").read_text().split("\n")
        except OSError:
            return False
        return lines[0] == str(self._process.pid) and lines[7:8] != [] and "ready" in lines[7]

    def stop(self, how: signal.Signals = signal.SIGINT) -> None:
        """SIGINT is the server's fast shutdown, SIGQUIT its immediate one, as a crash."""
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(120)
            self._process = None

    @contextmanager
    def frozen(self) -> Iterator[None]:
        """The server and its sessions stand still; their machine still answers for them."""
        assert self._process is not None
        # The one that begins the others first: no session may come that is not on the list.
        os.kill(self._process.pid, signal.SIGSTOP)
        os.waitid(os.P_PID, self._process.pid, os.WSTOPPED)
        processes = self._sessions()
        for pid in processes:
            os.kill(pid, signal.SIGSTOP)
        try:
            yield
        finally:
            for pid in processes:
                os.kill(pid, signal.SIGCONT)

    def _sessions(self) -> list[int]:
        """Each session is a process of its own, and a group of its own."""
        assert self._process is not None
        first = self._process.pid
        children = Path(f"/proc/{first}/task/{first}/children").read_text().split()
        return [first, *map(int, children)]

    def place(self, site: str = "north camp") -> PostgresPlace:
        return PostgresPlace(self.url, f"care_{next(self._numbers)}", site)


@contextmanager
def served(*settings: str) -> Iterator[Server]:
    """A server from here to the end, with its password where the library looks for it."""
    folder = Path(tempfile.mkdtemp(prefix="carerules-pg-"))
    before = os.environ.get("PGPASSFILE")
    try:
        server = Server(folder, settings)
        os.environ["PGPASSFILE"] = str(server.passfile)
        server.make()
        server.start()
        try:
            yield server
        finally:
            server.stop()
    finally:
        os.environ.pop("PGPASSFILE", None)
        if before is not None:
            os.environ["PGPASSFILE"] = before
        shutil.rmtree(folder, ignore_errors=True)


def _program(name: str) -> str:
    """Where a program of the server is: Debian keeps them out of the PATH, a folder a version."""
    found = shutil.which(name)
    if found is None:
        folders = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"))
        assert folders, f"the tests need PostgreSQL's `{name}` (Debian: package postgresql)"
        found = str(folders[-1])
    return found

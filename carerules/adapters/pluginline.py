"""A plug that is reached by a plug-in: code of somebody else's, in a process of its own.

Knows processes, and which packages bring a plug-in. Does not know what is asked, and never loads a
plug-in here: what hangs there, or ends, or answers without end, is ended, and begun anew with the
next request. Nothing that it does holds up more than one call of one plug.
"""

from __future__ import annotations

import json
import os
import re
import select
import signal
import subprocess
import sys
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict
from importlib.metadata import entry_points
from pathlib import Path
from threading import Lock
from time import monotonic
from typing import Any

from carerules.adapters.address import Credentials
from carerules.adapters.line import LATE, CallError, Left, LoginError, seconds
from carerules.adapters.payload import PAYLOAD_BYTES_MAX
from carerules.adapters.problem import Problem, quoted
from carerules.domain.frozen import guarded
from carerules.domain.pack import Plug
from carerules.plugin import GROUP, Way

START_S_MAX = 20.0
"""To load a large library on a small computer. Meanwhile its plug is away, and no ON is sent."""
ANSWER_BYTES_MAX = 8 * PAYLOAD_BYTES_MAX  # each byte may become six signs of JSON
LOOK_EVERY_S = 0.1
"""How soon a call whose time was taken away, since an OFF waits, comes back."""
END_S_MAX = 1.0

_ROOT = Path(__file__).resolve().parents[2]
"""Where this very carerules lies, so that the process runs the same one."""
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,63}")


@guarded
class Installed:
    """A plug-in that can be had: its name, its package, and the version of that."""

    name: str
    package: str
    version: str


def installed(name: str) -> Installed | Problem:
    """The plug-in of this name. Reads what packages say of themselves, and loads none of them."""
    if not _NAME.fullmatch(name):
        return Problem(quoted(name), "small letters, digits and `-`", "look at the plug-in's name")
    found = [point for point in entry_points(group=GROUP, name=name) if point.dist is not None]
    packages = {point.dist.name: point.dist.version for point in found if point.dist}
    if not packages:
        others = sorted({point.name for point in entry_points(group=GROUP)})
        wanted = ", ".join(map(quoted, others)) or "a package that brings it"
        return Problem(f"no plug-in {quoted(name)}", wanted,
                       "install its package where carerules is installed")  # fmt: skip
    if len(packages) > 1:
        both = " and ".join(map(quoted, sorted(packages)))
        return Problem(f"a plug-in {quoted(name)} in {both}", "it in one package",
                       "take one of them off")  # fmt: skip
    ((package, version),) = packages.items()
    return Installed(name, package, version)


def plugin_line(plug: Plug, address: str, login: Credentials | None) -> PluginLine | Problem:
    """The way to a plug by the plug-in that its site file names; what speaks against it."""
    found = installed(plug.plugin)
    if isinstance(found, Problem):
        return found
    if found.version != plug.plugin_version:
        return Problem(f"version {found.version} of {quoted(found.package)}",
                       f"{plug.plugin_version or 'none'}, as when the site file was read",
                       "start anew, and put the plug to the test again")  # fmt: skip
    who = Way(address) if login is None else Way(address, login.user, login.password)
    return PluginLine(found.name, who)


class PluginLine:
    """Satisfies `line.Line`. One process at a time; a new one where the last was ended."""

    def __init__(self, name: str, way: Way) -> None:
        """Begins nothing before the first call."""
        self._name, self._way = name, way
        self._process: subprocess.Popen[bytes] | None = None
        self._begun_at = 0.0
        self._ready = False
        self._ended: subprocess.Popen[bytes] | None = None
        self._ending = Lock()

    def call(self, topic: str, payload: str, left: Left) -> bytes:
        """As `Line.call`; what is wrong with the plug-in is a `CallError` too."""
        process = self._begun(left)
        request = {"topic": topic, "payload": payload, "seconds": seconds(left)}
        try:
            self._say(process, request)
            told = self._told(process, left)
        except CallError:
            self._end()
            raise
        match told:
            case {"body": str(body)}:
                return body.encode("latin-1", errors="replace")
            case {"why": str()}:
                raise _said_why(told)
            case _:
                self._end()
                raise _said_why(told)

    def abort(self) -> None:
        """As `Line.abort`: the process is ended, so that the next request meets a new one. One that
        is still loading has been asked nothing, and goes on."""
        process = self._process
        # Where the lock is taken its own thread is about to end it, and may have reaped it.
        if process is not None and self._ready and self._ending.acquire(blocking=False):
            try:
                self._ended = process
                _kill(process)
            finally:
                self._ending.release()

    def close(self) -> None:
        """As `Line.close`."""
        self._end()

    # ---- its process ---------------------------------------------------------------------------

    def _begun(self, left: Left) -> subprocess.Popen[bytes]:
        seconds(left)
        process = self._process
        if process is not None and (process is self._ended or process.poll() is not None):
            self._end()
            process = None
        if process is None:
            process = self._process = _begin(self._name)
            self._ready, self._begun_at = False, monotonic()
            try:
                self._say(process, asdict(self._way))
            except CallError:
                self._end()
                raise
        if not self._ready:
            self._await(process, left)
        return process

    def _await(self, process: subprocess.Popen[bytes], left: Left) -> None:
        """Until the plug-in is loaded. What takes longer than a call goes on loading behind it."""
        try:
            told = self._told(process, left)
        except CallError as error:
            if str(error) == LATE and monotonic() - self._begun_at < START_S_MAX:
                raise CallError("the plug-in is still being loaded") from None
            self._end()
            raise
        if "ready" not in told:
            self._end()
            raise _said_why(told)
        self._ready = True

    def _say(self, process: subprocess.Popen[bytes], what: Mapping[str, Any]) -> None:
        assert process.stdin is not None
        try:
            process.stdin.write(json.dumps(what).encode() + b"\n")
            process.stdin.flush()
        except (OSError, ValueError):
            raise CallError("the plug-in's process ended") from None

    def _told(self, process: subprocess.Popen[bytes], left: Left) -> dict[str, Any]:
        """The next line that the process says. Raises `CallError`."""
        assert process.stdout is not None
        door, heard = process.stdout.fileno(), bytearray()
        while not heard.endswith(b"\n"):
            ready, _, _ = select.select([door], [], [], min(seconds(left), LOOK_EVERY_S))
            if ready:
                part = os.read(door, ANSWER_BYTES_MAX)
                heard += part
                if not part:
                    raise CallError("the plug-in's process ended")
            if len(heard) > ANSWER_BYTES_MAX:
                raise CallError("the plug-in's process says more than it may")
        try:
            told = json.loads(heard)
        except (ValueError, RecursionError):
            told = None
        return told if isinstance(told, dict) else {}

    def _end(self) -> None:
        process, self._process, self._ready = self._process, None, False
        if process is None:
            return
        with self._ending:
            _kill(process)
            # One that even this does not end, as it waits for a device, is nobody's to wait for.
            with suppress(subprocess.TimeoutExpired):
                process.wait(END_S_MAX)
        for stream in (process.stdin, process.stdout):
            if stream is not None:
                with suppress(OSError):
                    stream.close()


def _said_why(told: Mapping[str, Any]) -> CallError:
    match told:
        case {"why": str(why), "kind": "refused"}:
            return LoginError(quoted(why))
        case {"why": str(why), "kind": "silent"}:
            return CallError(quoted(why))
        case {"why": str(why)}:
            return CallError(f"the plug-in failed: {quoted(why)}")
        case _:
            return CallError("the plug-in's process does not speak as agreed")


def _begin(name: str) -> subprocess.Popen[bytes]:
    paths = [str(_ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
    try:
        return subprocess.Popen(
            [sys.executable, "-P", "-m", "carerules.plugin.host", name],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            # Ended together with whatever it began; a terminal's Ctrl-C is for the service.
            start_new_session=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
        )
    except OSError as error:
        raise CallError(f"no process for the plug-in ({type(error).__name__})") from None


def _kill(process: subprocess.Popen[bytes]) -> None:
    if process.returncode is None:
        with suppress(OSError):  # it has ended meanwhile
            os.killpg(process.pid, signal.SIGKILL)

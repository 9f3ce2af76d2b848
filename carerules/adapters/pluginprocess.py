"""One process in which a plug-in lives: begun, loaded, made ready, asked, ended.

Knows processes, and how one is spoken to. Does not know which of
them serves a plug, nor what is asked.
"""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from threading import Lock
from time import monotonic
from typing import Any

from carerules.adapters.line import LATE, CallError, Left, LoginError, seconds
from carerules.adapters.payload import PAYLOAD_BYTES_MAX
from carerules.adapters.problem import quoted
from carerules.plugin import Way

LOAD_S_MAX = 20.0
"""To load a large library on a small computer. Meanwhile its plug is away, and no ON is sent."""
MAKE_S_MAX = 3.0
"""For the loaded plug-in to be made: as long as a call, logging in included (adapters/called)."""
ANSWER_BYTES_MAX = 8 * PAYLOAD_BYTES_MAX  # each byte may become six signs of JSON
LOOK_EVERY_S = 0.1
"""How soon a call whose time was taken away, since an OFF waits, comes back."""
END_S_MAX = 1.0

_ROOT = Path(__file__).resolve().parents[2]
"""Where this very carerules lies, so that the process runs the same one."""
_NOT_FOR_IT = ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID")
"""By these a service says that it is well: no library of a plug-in's is to say it."""


class NotYetError(CallError):
    """It has been asked nothing yet, and goes on getting ready behind the call."""


class PluginProcess:
    """Begun where it is made. All on one thread, but `kill`."""

    def __init__(self, name: str, version: str) -> None:
        """Loads the plug-in, and no other version of it (empty: whichever is there), and makes
        nothing yet. Raises `CallError` where the system has no process."""
        self.is_loaded = self.is_ready = False
        self._begun_at = self._making_at = monotonic()
        self._asked = 0
        self._way_said = False
        self._killed = False
        self._heard = bytearray()
        self._ending = Lock()
        paths = [str(_ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
        env = {key: word for key, word in os.environ.items() if key not in _NOT_FOR_IT}
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", "carerules.plugin.host", name, version],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                # Ended together with whatever it began; a terminal's Ctrl-C is for the service.
                start_new_session=True,
                env={**env, "PYTHONPATH": os.pathsep.join(paths)},
            )
        except OSError as error:
            raise CallError(f"no process for the plug-in ({type(error).__name__})") from None

    @property
    def pid(self) -> int:
        """Its number with the system."""
        return self._process.pid

    @property
    def is_over(self) -> bool:
        """Whether nothing is to be expected of it any more: it ended, or was ended, or it hangs
        while it loads."""
        if self._killed:
            return True
        late = not self.is_loaded and monotonic() - self._begun_at > LOAD_S_MAX
        if late and not self._said_anything(0):
            return True
        # Looked at and left: as long as nobody has taken its end, its number is no other's.
        looks = os.WEXITED | os.WNOHANG | os.WNOWAIT
        return os.waitid(os.P_PID, self._process.pid, looks) is not None

    def has_loaded(self) -> bool:
        """Whether it came so far, as far as it has said; waits for nothing."""
        if not self.is_loaded and b"\n" not in self._heard and self._said_anything(0):
            self._heard += os.read(self._door, ANSWER_BYTES_MAX)
        return self.is_loaded or self._heard.startswith(b'{"loaded"')

    def make_ready(self, way: Way, left: Left) -> None:
        """Have it load, and make the plug-in. Raises `NotYetError` where that takes longer than
        there is time `left`, `CallError` where it fails or takes too long altogether."""
        if not self.is_loaded:
            loading = "the plug-in is still being loaded"
            self._agreed("loaded", left, self._begun_at + LOAD_S_MAX, loading)
            self.is_loaded = True
        if not self._way_said:
            self._say(asdict(way))
            self._way_said, self._making_at = True, monotonic()
        if not self.is_ready:
            making = "the plug-in is not ready yet"
            self._agreed("ready", left, self._making_at + MAKE_S_MAX, making)
            self.is_ready = True

    def ask(self, topic: str, payload: str, left: Left) -> Mapping[str, Any]:
        """Put one request to it, and give back what it says of that. Raises `CallError`."""
        self._asked += 1
        number = self._asked
        self._say({"number": number, "topic": topic, "payload": payload, "seconds": seconds(left)})
        told = self._told(left)
        # An answer to another request would pass for how the plug is now.
        return told if told.get("number") == number else {}

    def kill(self) -> None:
        """End it and whatever it began, at once; on any thread. Waits for nothing."""
        # Where the lock is taken its own thread is about to end it, and may have reaped it.
        if self._ending.acquire(blocking=False):
            try:
                self._killed = True
                self._kill()
            finally:
                self._ending.release()

    def end(self) -> None:
        """End it, and let go of it."""
        with self._ending:
            self._killed = True
            self._kill()  # what it began is there still where it has ended itself
            # One that even this does not end, as it waits for a device, is nobody's to wait for.
            with suppress(subprocess.TimeoutExpired):
                self._process.wait(END_S_MAX)
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with suppress(OSError):
                    stream.close()

    def _kill(self) -> None:
        if self._process.returncode is None:
            with suppress(OSError):  # it has ended meanwhile
                os.killpg(self._process.pid, signal.SIGKILL)

    # ---- what is said --------------------------------------------------------------------------

    def _agreed(self, word: str, left: Left, give_up: float, meanwhile: str) -> None:
        try:
            told = self._told(left)
        except CallError as error:
            if str(error) == LATE and monotonic() < give_up:
                raise NotYetError(meanwhile) from None
            raise
        if word not in told:
            raise said_why(told)

    def _say(self, what: Mapping[str, Any]) -> None:
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(json.dumps(what).encode() + b"\n")
            self._process.stdin.flush()
        except (OSError, ValueError):
            raise CallError("the plug-in's process ended") from None

    def _told(self, left: Left) -> dict[str, Any]:
        """The next line that the process says. Raises `CallError`."""
        while b"\n" not in self._heard:
            if len(self._heard) > ANSWER_BYTES_MAX:
                raise CallError("the plug-in's process says more than it may")
            if self._said_anything(min(seconds(left), LOOK_EVERY_S)):
                part = os.read(self._door, ANSWER_BYTES_MAX)
                if not part:
                    raise CallError("the plug-in's process ended")
                self._heard += part
        line, _, rest = self._heard.partition(b"\n")
        self._heard = rest
        try:
            told = json.loads(line)
        except (ValueError, RecursionError):
            told = None
        return told if isinstance(told, dict) else {}

    @property
    def _door(self) -> int:
        assert self._process.stdout is not None
        return self._process.stdout.fileno()

    def _said_anything(self, wait_s: float) -> bool:
        # Not `select`, which knows no more than 1 024 files of a service that has a page open.
        looking = select.poll()
        looking.register(self._door, select.POLLIN)
        return bool(looking.poll(wait_s * 1_000))


def said_why(told: Mapping[str, Any]) -> CallError:
    """What the process says against a request, or against itself."""
    match told:
        case {"why": str(why), "kind": "refused"}:
            return LoginError(quoted(why))
        case {"why": str(why), "kind": "silent"}:
            return CallError(quoted(why))
        case {"why": str(why)}:
            return CallError(f"the plug-in failed: {quoted(why)}")
        case _:
            return CallError("the plug-in's process does not speak as agreed")

"""What a service tells whoever supervises it: that it is ready, that it lives, that it leaves.

Knows how systemd is spoken to (`sd_notify(3)`: datagrams to the socket that NOTIFY_SOCKET
names, a leading `@` meaning an abstract address; WATCHDOG_USEC says how often life is awaited).
Does not know what the service does. Where nobody supervises, it says nothing.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Callable, Mapping
from contextlib import suppress

FEED_PART = 4
"""Four times in each watchdog interval: one that is late or lost costs nothing."""


class Supervisor:
    """The line to the supervisor; never blocks and never raises.

    Of a service that is not `well` no life is told: it is ended then, and started again.
    """

    def __init__(
        self,
        now_ms: Callable[[], int],
        env: Mapping[str, str] | None = None,
        well: Callable[[], bool] = lambda: True,
    ) -> None:
        env = os.environ if env is None else env
        path = env.get("NOTIFY_SOCKET", "")
        self._address = f"\0{path[1:]}" if path.startswith("@") else path
        self._now_ms, self._well = now_ms, well
        self._every_ms = _interval_ms(env)
        self._fed_at: int | None = None
        self._socket: socket.socket | None = None
        if self._address[:1] in ("/", "\0"):
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.setblocking(False)

    @property
    def is_there(self) -> bool:
        """Whether somebody supervises."""
        return self._socket is not None

    def ready(self, status: str) -> None:
        """It listens; `status` is one line for whoever asks."""
        self._say(f"READY=1\nSTATUS={' '.join(status.split())}")

    def alive(self) -> None:
        """The loop has come round: called at each turn, passed on as often as is wanted."""
        if self._every_ms is None or not self._well():
            return
        now = self._now_ms()
        if self._fed_at is None or now - self._fed_at >= self._every_ms:
            self._fed_at = now
            self._say("WATCHDOG=1")

    def stopping(self) -> None:
        """It brings everything off, then leaves."""
        self._say("STOPPING=1")

    def close(self) -> None:
        """Let go of the socket."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _say(self, text: str) -> None:
        if self._socket is None:
            return
        # A supervisor that does not listen must not end what it looks after.
        with suppress(OSError):
            self._socket.sendto(text.encode(), self._address)


def _interval_ms(env: Mapping[str, str]) -> int | None:
    """How often to feed; None: no watchdog, or it is meant for another process."""
    wanted, pid = env.get("WATCHDOG_USEC", ""), env.get("WATCHDOG_PID", "")
    if not wanted.isdigit() or int(wanted) == 0 or (pid and pid != str(os.getpid())):
        return None
    return max(1, int(wanted) // 1_000 // FEED_PART)

"""The server that listens: a thread of its own, few connections, none that only waits.

Knows sockets. Does not know what is answered.
"""

from __future__ import annotations

import asyncio
import socket
import threading
from typing import Any

import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

from carerules.board.live import Watchers
from carerules.config import BoardDoor

CONNECTIONS_MAX = 64
"""Sixteen that look, and the few that a browser opens for each page; a service in the same process
needs its file descriptors itself."""
FIRST_WORD_S = 10.0
"""A browser says what it wants at once; who says nothing so long is let go, and who has not said
all of what is sent with it after twice as long: else a few that trickle keep the page, and its
`stop`, from everybody."""
HEAD_BYTES_MAX = 16_384


class PortTaken(Exception):  # noqa: N818 (taken says it)
    """The address cannot be listened at; its text is one line for a person."""


class _Bounded(H11Protocol):
    """A connection that is let go where there are too many, or where nothing is asked on it."""

    _timer: asyncio.TimerHandle | None = None
    _seen: Any = None

    def connection_made(self, transport: Any) -> None:
        if len(self.connections) >= CONNECTIONS_MAX:
            transport.abort()
            return
        super().connection_made(transport)
        self._look_later()

    def connection_lost(self, exc: Exception | None) -> None:
        if self._timer is not None:
            self._timer.cancel()
            super().connection_lost(exc)

    def _look_later(self) -> None:
        self._timer = self.loop.call_later(FIRST_WORD_S, self._unless_asked)

    def _unless_asked(self) -> None:
        asked: Any = getattr(self, "cycle", None)
        trickles = asked is not None and asked is self._seen and asked.more_body
        self._seen = asked
        if self.transport.is_closing():
            return
        if asked is None or trickles:
            self.transport.abort()
        else:
            self._look_later()


class Listener:
    """The board, listening until it is closed."""

    def __init__(self, app: ASGIApp, door: BoardDoor, watchers: Watchers) -> None:
        """Takes the address at once; raises `PortTaken` where it cannot."""
        self._watchers = watchers
        self._socket = _bound(door)
        config = uvicorn.Config(
            app, http=_Bounded, ws="none", lifespan="off", loop="asyncio", log_config=None,
            log_level="warning", access_log=False, server_header=False, date_header=False,
            proxy_headers=False, h11_max_incomplete_event_size=HEAD_BYTES_MAX,
            timeout_keep_alive=15, timeout_graceful_shutdown=1, limit_concurrency=CONNECTIONS_MAX,
        )  # fmt: skip
        self._server = uvicorn.Server(config)
        self._thread: threading.Thread | None = None

    @property
    def port(self) -> int:
        """The port that it listens at."""
        return int(self._socket.getsockname()[1])

    def start(self) -> None:
        """Listen in a thread of its own, which keeps no process alive."""
        self._thread = threading.Thread(target=self.run, name="board", daemon=True)
        self._thread.start()

    def run(self) -> None:
        """Listen until told to leave; in the main thread, also until a signal."""
        self._server.run(sockets=[self._socket])

    def close(self) -> None:
        """Let go of everybody; waits at most some seconds."""
        self._watchers.closing = True
        self._server.should_exit = True
        if self._thread is not None:
            self._thread.join(5)
        self._socket.close()


def _bound(door: BoardDoor) -> socket.socket:
    family = socket.AF_INET6 if ":" in door.host else socket.AF_INET
    made = socket.socket(family, socket.SOCK_STREAM)
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((door.host, door.port))
        made.listen(CONNECTIONS_MAX)  # who asks before the thread runs waits for it
    except OSError as error:
        made.close()
        why = (error.strerror or str(error)).lower()
        raise PortTaken(
            f"cannot listen at `{door.host}:{door.port}`: {why}; mend: choose another address"
        ) from None
    made.set_inheritable(False)
    return made

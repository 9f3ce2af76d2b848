"""What a signal sets going, on a thread beside the main one.

Knows threads. Does not know what is done. A signal's handler runs in the midst of whatever the main
thread does: a lock that it took, that of a stream included, the main thread may hold at this very
instant, and both would wait for ever; and a stream that nobody reads would hold up everything.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from threading import Thread

WAIT_S_MAX = 2.0
"""So long the words of who leaves are waited for; a stream that nobody reads takes them never."""
KEPT = 4
"""Threads that are waited for: those of the newest signals."""


class Aside:
    """Has things done that a handler must not do itself."""

    def __init__(self) -> None:
        self._threads: deque[Thread] = deque(maxlen=KEPT)

    def do(self, *acts: Callable[[], object]) -> None:
        """Have them done one after the other; returns at once, also in a signal's handler."""
        thread = Thread(target=_do, args=(acts,), daemon=True)
        self._threads.append(thread)
        thread.start()

    def wait(self) -> None:
        """Until all is done, or for `WAIT_S_MAX` (each)."""
        for thread in tuple(self._threads):
            thread.join(WAIT_S_MAX)


def _do(acts: tuple[Callable[[], object], ...]) -> None:
    for act in acts:
        act()

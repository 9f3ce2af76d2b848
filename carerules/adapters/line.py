"""The seam to plugs that answer each request, instead of speaking over a broker.

Knows what a line must do. Does not know how one does it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, TypeAlias

Left: TypeAlias = Callable[[], float]
"""How many seconds a call still has, on a clock that counts suspend; asked again before each step
of it, so that what has become late on the way is not sent."""


class CallError(Exception):
    """No answer that can be used; the text says why, in one line and without any secret."""


class LoginError(CallError):
    """The plug does not let us in: to try again at once would only have it lock us out."""


class Line(Protocol):
    """The way to one plug. `call` and `close` on one thread; `abort` on any."""

    def call(self, topic: str, payload: str, left: Left) -> bytes:
        """Send a request and wait for its answer; raises `CallError`, at the latest when none of
        its time is left. Sends it once: what the plug did not answer is not sent again."""

    def abort(self) -> None:
        """Have the call that is under way fail at once."""

    def close(self) -> None:
        """Let go of the plug."""


LATE = "no answer in time"


def seconds(left: Left) -> float:
    """What is left for the next step; raises `CallError` where nothing is."""
    found = left()
    if found <= 0:
        raise CallError(LATE)
    return found

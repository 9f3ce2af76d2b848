"""The seam for plug-ins: what their code is given, and what it must do.

Knows one plug and one request. Does not know what a request means: what a plug understands and says
stands in its profile, as for every other plug (docs/extending.md). Imports nothing of ours.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol, TypeAlias

GROUP = "carerules.plugins"
"""Packages name their `Maker` under this group of entry points (the packaging specification "Entry
points"). One is loaded only where a plug of a site file names it."""


class SilentError(Exception):
    """The plug did not answer, or with nothing that can be used; the text says why, in one line and
    without any secret."""


class RefusedError(SilentError):
    """The plug does not let us in: it is left alone for a minute, lest it lock us out."""


@dataclass(frozen=True, slots=True)
class Way:
    """Where the plug is, and how to log in.

    `address` is what the profile's `[call]` makes of the site file's variables; `user` and
    `password` are None where the site file names no password."""

    address: str
    user: str | None = None
    password: str | None = field(default=None, repr=False)


class PlugIn(Protocol):
    """One plug. It lives in a process of its own, on that process's first thread, and may be ended
    at any moment without a word: an OFF waits for nothing."""

    def ask(self, topic: str, payload: str, seconds: float) -> bytes:
        """Send one request, once, and give back the plug's answer as JSON, 16 KiB at most.

        `topic` and `payload` are what the profile makes of a command. After `seconds` (s, above 0)
        nobody waits any more, and the process is ended. Raises `SilentError` where there is no
        answer, and never tries a second time: what was not answered may have been obeyed.
        """


Maker: TypeAlias = Callable[[Way], PlugIn]
"""What the entry point names. It may raise `SilentError`; it switches nothing, and has 3 s.

Loading its module reaches no plug: it is loaded once more beside the process that serves, so that
another is there at once where that one is ended."""

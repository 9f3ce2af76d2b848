"""Parts of the page that have changed, to each browser that is looking.

Knows when to look and what each one was sent. Does not know what a part says.
"""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping

LOOK_EVERY_S = 0.25
"""Four looks a second: an event is on the page well within one."""
BEAT_EVERY_S = 4.0
"""A browser that has heard nothing for three of these says that it is not connected."""
WATCHERS_MAX = 16
"""Browsers at one time; more are told to come back."""

Parts = Mapping[str, str]


class Watchers:
    """How many are looking, and whether the board is closing."""

    def __init__(self) -> None:
        self.number = 0
        self.closing = False

    @property
    def full(self) -> bool:
        """Whether another one would be too many."""
        return self.number >= WATCHERS_MAX

    async def stream(
        self, version: Callable[[], object], parts: Callable[[], Awaitable[Parts]]
    ) -> AsyncIterator[bytes]:
        """What is sent to one browser, until it goes or the board closes."""
        sent: dict[str, str] = {}
        seen: object = None
        beaten = 0.0
        self.number += 1
        try:
            yield b"retry: 1000\n\n"
            while not self.closing:
                now = version()
                if now != seen or not sent:
                    seen = now
                    for name, html in (await parts()).items():
                        if sent.get(name) != html:
                            sent[name] = html
                            yield _event("part", {"id": name, "html": html})
                if time.monotonic() - beaten >= BEAT_EVERY_S:
                    beaten = time.monotonic()
                    yield _event("beat", {})
                await asyncio.sleep(LOOK_EVERY_S)
        finally:
            self.number -= 1


def _event(kind: str, data: Mapping[str, str]) -> bytes:
    return f"event: {kind}\ndata: {json.dumps(data)}\n\n".encode()

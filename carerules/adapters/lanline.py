"""A relay in the local network that is asked through the open library python-kasa (extra `lan`).

Knows how that library is called. Does not know what is asked. The library is under the GNU General
Public License, version 3 or later; it is no part of carerules, and is loaded only where a plug of
the site file wants it.
"""

from __future__ import annotations

import asyncio
import json
from contextlib import suppress
from typing import Any

from carerules.adapters.address import Credentials
from carerules.adapters.line import LATE, CallError, Left, LoginError, seconds
from carerules.adapters.problem import Problem, quoted

FIND_S_MAX = 2  # a relay in the same network answers within milliseconds


def library() -> Any | Problem:
    """The library, or what to do to have it."""
    try:
        # Half a second of a start, and not everybody has it.
        import kasa  # noqa: PLC0415
    except ImportError:
        return Problem("no library `python-kasa`", "the extra `lan`, for this kind of plug",
                       'install it: `pip install "carerules[lan]"`')  # fmt: skip
    return kasa


class LanLine:
    """Satisfies `line.Line`. The library finds out once how the relay is spoken to; after a call
    that failed, again."""

    def __init__(self, kasa: Any, host: str, credentials: Credentials | None = None) -> None:
        self._kasa, self._host, self._credentials = kasa, host, credentials
        self._device: Any = None
        self._runner: asyncio.Runner | None = None
        self._task: asyncio.Task[bytes] | None = None

    def call(self, topic: str, payload: str, left: Left) -> bytes:
        """As `Line.call`; `topic` is of no meaning here."""
        del topic
        # Made here, since a loop belongs to the thread that calls.
        self._runner = self._runner or asyncio.Runner()
        try:
            return self._runner.run(self._within(payload, left))
        except CallError:
            raise
        except (TimeoutError, asyncio.CancelledError):
            raise CallError(LATE) from None
        except Exception as error:
            # The library has errors of its own, and lets those of its transports through.
            why = quoted(str(error) or type(error).__name__)
            kind = LoginError if type(error).__name__ == "AuthenticationError" else CallError
            raise kind(why) from None

    def abort(self) -> None:
        """As `Line.abort`."""
        task = self._task
        if task is not None:
            with suppress(RuntimeError):  # the loop has ended meanwhile
                task.get_loop().call_soon_threadsafe(task.cancel)

    def close(self) -> None:
        """As `Line.close`."""
        if self._runner is not None:
            with suppress(Exception):
                self._runner.run(self._let_go())
            self._runner.close()
            self._runner = None

    async def _within(self, payload: str, left: Left) -> bytes:
        self._task = asyncio.current_task()
        try:
            async with asyncio.timeout(seconds(left)):
                device = await self._found()
                seconds(left)
                answer = await device.protocol.query(json.loads(payload), retry_count=0)
                return json.dumps(answer).encode()
        except BaseException:
            await self._let_go()
            raise
        finally:
            self._task = None

    async def _found(self) -> Any:
        if self._device is None:
            mine = self._credentials
            login = None if mine is None else self._kasa.Credentials(mine.user, mine.password)
            self._device = await self._kasa.Discover.discover_single(
                self._host, discovery_timeout=FIND_S_MAX, timeout=FIND_S_MAX, credentials=login
            )
        if self._device is None:
            raise CallError("nothing at this address says that it is such a relay")
        return self._device

    async def _let_go(self) -> None:
        device, self._device = self._device, None
        if device is not None:
            with suppress(Exception):
                await device.disconnect()

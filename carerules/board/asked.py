"""The past asked for in a process of its own: going through a journal takes seconds of work.

Knows how a reading command is called. Does not know what it says. The service that may run in this
process is not held up by it, and what it took of memory is given back.
"""

from __future__ import annotations

import asyncio
import shutil
import sys
import time
from collections import OrderedDict
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from carerules.config import SiteFile

WITHIN_S = 60.0
"""A month of many packs takes half of it on a small machine."""
ANSWER_BYTES_MAX = 4 << 20
KEPT, KEPT_S = 16, 20.0
"""Answers kept for who asks again at once."""

S = TypeVar("S", bound=BaseModel)


class Asker:
    """Asks one question at a time; who comes meanwhile waits."""

    def __init__(self, site: SiteFile) -> None:
        self._site = site
        self._turn = asyncio.Lock()
        self._kept: OrderedDict[tuple[str, ...], tuple[float, bytes]] = OrderedDict()

    async def ask(self, shape: type[S], *words: str, within_s: float | None = None) -> S | str:
        """What `carerules WORDS --json` says, or one line of what is wrong. `within_s`: how long
        it may take; None: `WITHIN_S`."""
        async with self._turn:
            kept = self._kept.get(words)
            if kept is None or time.monotonic() - kept[0] > KEPT_S:
                answer = await self._run(words, WITHIN_S if within_s is None else within_s)
                if isinstance(answer, str):
                    return answer
                self._kept[words] = kept = time.monotonic(), answer
                while len(self._kept) > KEPT:
                    self._kept.popitem(last=False)
        try:
            return shape.model_validate_json(kept[1])
        except ValidationError:
            return "what the journal says could not be read"

    async def _run(self, words: tuple[str, ...], within_s: float) -> bytes | str:
        nice = [found, "-n", "10"] if (found := shutil.which("nice")) else []
        site = str(self._site.folder / self._site.file)
        # A list of words, no shell: a name stays one word whatever is in it.
        process = await asyncio.create_subprocess_exec(
            *nice, sys.executable, "-m", "carerules", *words, "--site", site, "--json",
            stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
        )  # fmt: skip
        try:
            out, err = await asyncio.wait_for(process.communicate(), within_s)
        except (TimeoutError, asyncio.CancelledError) as ended:
            process.kill()
            await process.wait()
            if isinstance(ended, asyncio.CancelledError):
                raise
            return f"it took longer than {within_s:.0f} s: ask for a shorter stretch"
        if process.returncode != 0 or len(out) > ANSWER_BYTES_MAX:
            first = err.decode("utf-8", "replace").strip().partition("\n")[0]
            return first[:300] or "the answer is too long: ask for a shorter stretch"
        return out

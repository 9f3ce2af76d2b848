"""How far a long command is: one line on a terminal's standard error, gone when it is done.

Knows the terminal and its own clock. Does not know what is being done. Pipes, files and terminals
that cannot go back to a line's beginning see nothing of it, and what a command prints never waits
for it. It has no colour, so that NO_COLOR asks nothing of it.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator
from time import monotonic
from typing import TypeVar

from carerules.cli.common import utter

T = TypeVar("T")

PATIENCE_S = 1.0
"""Nobody wonders about what is done by then."""
EACH_S = 0.5
"""Twice a second is as fast as one reads."""
WIDTH = 79


def on_terminal() -> bool:
    """Whether somebody watches standard error who sees a line change."""
    return sys.stderr.isatty() and os.environ.get("TERM") != "dumb"


class Progress:
    """`what`: what is being done, in a few words. `whole`: how much there is; None: unknown.
    `quiet`: where the command itself shows how far it is."""

    def __init__(self, what: str, whole: float | None = None, *, quiet: bool = False) -> None:
        self.watched, self.whole = not quiet and on_terminal(), whole
        self._what = what
        self._begun = monotonic() if self.watched else 0.0
        self._next = self._begun + PATIENCE_S
        self._shown = 0

    def __enter__(self) -> Progress:
        return self

    def __exit__(self, *_: object) -> None:
        self.clear()

    def at(self, done: float, words: str = "") -> None:
        """So much of it is done; `words` are shown behind it. Cheap where nobody watches."""
        if not self.watched:
            return
        now = monotonic()
        if now < self._next:
            return
        self._next = now + EACH_S
        self._show(self._line(done, now - self._begun) + (f", {words}" if words else ""))

    def through(self, items: Iterable[T], words: str = "") -> Iterator[T]:
        """Each of the items; as many as are done, of the whole."""
        for count, item in enumerate(items):
            self.at(count, words)
            yield item

    def wait(self, words: str) -> None:
        """Say at once what is waited for: of what tells nothing while it is done."""
        if self.watched:
            self._show(f"{self._what}: {words}")

    def clear(self) -> None:
        """Leave nothing of it behind."""
        if self._shown:
            utter("\r" + " " * self._shown + "\r", err=True, end="")
            self._shown = 0

    def _line(self, done: float, took_s: float) -> str:
        if not self.whole:
            return f"{self._what}: {done:.0f}"
        share = min(1.0, done / self.whole)
        line = f"{self._what}: {share:.0%}"
        if share > 0.05:  # before that a guess would jump about
            line += f", about {took_s * (1 - share) / share:.0f} s left"
        return line

    def _show(self, line: str) -> None:
        line = line[:WIDTH]
        utter("\r" + line.ljust(self._shown), err=True, end="")
        self._shown = len(line)

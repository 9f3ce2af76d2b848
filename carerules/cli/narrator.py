"""What a running service says on the terminal: a line for each thing seen, decided and done.

Knows sentences and the width of a page. Does not know the service.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Sequence

import click

from carerules.cli.common import utter, wants_colour
from carerules.domain.decision import Outcome
from carerules.domain.event import Event, PlugLink
from carerules.domain.moment import HOUR, SECOND, Duration
from carerules.domain.quantity import Known
from carerules.loop import World
from carerules.report import Line, line_of, said, wrap

WIDTH_MAX = 100
LOOK_ROUND_EVERY: Duration = 20 * SECOND
"""Real time between two lines that say how charged everything is."""
SAME_ROUND_EVERY: Duration = HOUR
"""Where nothing has changed meanwhile: enough to see that it lives, and no flood in a log that is
kept for months (our choice)."""
_INDENT = " " * 30
_TOGETHER = re.compile(r"(?<=[\d±]) (?=[±%°\w]\w{0,2}\b|[±%])")
"""The space in `64 %`, `± 2 %` and `3.40 V`: a line does not end there."""
_COLOURS = {"decided": "cyan", "done": "green", "tell": "yellow", "alarm": "red", "seen": None}


class Narrator:
    """A teller for the terminal. A line that has just been said is not said again, and a plug that
    can be reached is news only after it could not."""

    def __init__(self, real_ms: Callable[[], int]) -> None:
        self._real_ms = real_ms
        self._round_at = real_ms() + LOOK_ROUND_EVERY // 4
        self._round, self._same_until = "", 0
        self._colour = wants_colour()
        self._last: tuple[str, str] = ("", "")
        self._lost: set[str] = set()

    def __call__(self, event: Event, outcomes: Sequence[Outcome], world: World) -> None:
        """Say the event, if a person or the site made it, and each outcome that has a sentence."""
        heard = None if self._is_no_news(event) else said(event, world.local)
        for line in (heard, *map(line_of, outcomes)):
            if line is not None and (line.about, line.text) != self._last:
                self._last = (line.about, line.text)
                self._say(line, world)
        if (now := self._real_ms()) >= self._round_at:
            self._round_at = now + LOOK_ROUND_EVERY
            self._say_round(_charges(world), now, world)

    def _say_round(self, charges: str, now: int, world: World) -> None:
        if charges == self._round and now < self._same_until:
            return
        self._round, self._same_until = charges, now + SAME_ROUND_EVERY
        self._say(Line("seen", "", charges), world)

    def _is_no_news(self, event: Event) -> bool:
        if not isinstance(event, PlugLink):
            return False
        known = (event.plug in self._lost) is not event.up
        (self._lost.discard if event.up else self._lost.add)(event.plug)
        return known

    def _say(self, line: Line, world: World) -> None:
        when = world.local.read(world.now).strftime("%a %d %b %H:%M:%S")
        head = f"{when}  {line.tone:7}"
        text = f"{line.about}: {line.text}" if line.about else line.text
        colour = _COLOURS[line.tone] if self._colour else None
        body = wrapped(text, page_width() - len(_INDENT))
        utter(click.style(head, fg=colour) + "  " + f"\n{_INDENT}".join(body))


def page_width() -> int:
    """How wide a line may be: the terminal, but no wider than is easy to read."""
    return min(WIDTH_MAX, shutil.get_terminal_size((80, 24)).columns)


def wrapped(text: str, width: int) -> list[str]:
    """The text in lines of at most `width`, values kept with their units."""
    held = _TOGETHER.sub("\N{NO-BREAK SPACE}", text)
    lines = wrap(held, max(20, width))
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in lines]


def _charges(world: World) -> str:
    parts = []
    for name, state in world.packs.items():
        match state.soc:
            case Known() as soc:
                parts.append(f"{name} {soc.shown_at(world.now):.0f} %")
            case _:
                parts.append(f"{name} unknown")
    return ", ".join(parts)

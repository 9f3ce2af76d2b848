"""What a running service says on the terminal: a line for each thing seen, decided and done.

Knows sentences and the width of a page. Does not know the service.
"""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Callable, Sequence

import click

from carerules.cli.common import wants_colour
from carerules.domain.decision import Outcome
from carerules.domain.event import Event
from carerules.domain.moment import SECOND, Duration
from carerules.domain.quantity import Known
from carerules.loop import World
from carerules.report import Line, line_of, said

WIDTH_MAX = 100
LOOK_ROUND_EVERY: Duration = 20 * SECOND
"""Real time between two lines that say how charged everything is."""
_COLOURS = {"decided": "cyan", "done": "green", "tell": "yellow", "alarm": "red", "seen": None}


class Narrator:
    """A teller for the terminal. A line that has just been said is not said again."""

    def __init__(self, real_ms: Callable[[], int]) -> None:
        self._real_ms = real_ms
        self._round_at = real_ms() + LOOK_ROUND_EVERY // 4
        self._colour = wants_colour()
        self._last: tuple[str, str] = ("", "")

    def __call__(self, event: Event, outcomes: Sequence[Outcome], world: World) -> None:
        """Say the event, if a person or the site made it, and each outcome that has a sentence."""
        for line in (said(event, world.local), *map(line_of, outcomes)):
            if line is not None and (line.about, line.text) != self._last:
                self._last = (line.about, line.text)
                self._say(line, world)
        if self._real_ms() >= self._round_at:
            self._round_at = self._real_ms() + LOOK_ROUND_EVERY
            self._say(Line("seen", "", _charges(world)), world)

    def _say(self, line: Line, world: World) -> None:
        when = world.local.read(world.now).strftime("%a %d %H:%M:%S")
        width = min(WIDTH_MAX, shutil.get_terminal_size((80, 24)).columns)
        indent = " " * 26
        head = f"{when}  {line.tone:7}"
        text = f"{line.about}: {line.text}" if line.about else line.text
        body = textwrap.wrap(text, max(20, width - len(indent)), break_on_hyphens=False)
        colour = _COLOURS[line.tone] if self._colour else None
        click.echo(click.style(head, fg=colour) + "  " + f"\n{indent}".join(body))


def _charges(world: World) -> str:
    parts = []
    for name, state in world.packs.items():
        match state.soc:
            case Known() as soc:
                parts.append(f"{name} {soc.value_at(world.now):.0f} %")
            case _:
                parts.append(f"{name} unknown")
    return ", ".join(parts)

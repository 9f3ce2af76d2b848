"""How a running service speaks: in words for a terminal, or a line of JSON for each thing.

Knows both ways. Does not know the service.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Literal, Protocol, TypeAlias

from carerules.adapters import HOST
from carerules.cli.common import utter
from carerules.cli.narrator import Narrator, page_width, wrapped
from carerules.config import SiteFile
from carerules.domain.decision import Outcome
from carerules.domain.event import Event
from carerules.domain.spelling import counted
from carerules.loop import World
from carerules.report import Line
from carerules.report.saying import record, records_of

Style: TypeAlias = Literal["words", "json"]

CAUTIONS = (
    "carerules is not a protective device. Each load needs its own low-voltage cut-off; packs need "
    "a fire-proof place, a smoke alarm and a person. The maker's instructions come first."
)


class Voice(Protocol):
    """A teller that can also say something of the service itself."""

    def __call__(self, event: Event, outcomes: Sequence[Outcome], world: World) -> None:
        """Say what was heard and decided."""

    def say(self, text: str) -> None:
        """Say something of the service."""


class Words:
    """For people, folded to the width of the terminal."""

    def __init__(self) -> None:
        self._narrate = Narrator(HOST.awake_ms)

    def __call__(self, event: Event, outcomes: Sequence[Outcome], world: World) -> None:
        """As sentences."""
        self._narrate(event, outcomes, world)

    def say(self, text: str) -> None:
        """Folded; an empty line after one that ends in a line feed."""
        for line in wrapped(text, page_width()):
            utter(line)
        if text.endswith("\n"):
            utter("")


class JsonLines:
    """For a collector of logs: one object a line, in the shape that docs/json.md shows. Nothing is
    left out for being said twice: what is news is for the reader to judge."""

    def __init__(self, world: Callable[[], World]) -> None:
        self._world = world

    def __call__(self, event: Event, outcomes: Sequence[Outcome], world: World) -> None:
        """As records."""
        for one in records_of(event, outcomes, world):
            utter(one.model_dump_json())

    def say(self, text: str) -> None:
        """As a record of the kind `service`."""
        world = self._world()
        line = record(world, world.now, "service", Line("seen", "", text.rstrip()))
        utter(line.model_dump_json())


def voice_of(style: Style, world: Callable[[], World]) -> Voice:
    """The voice of the style; `world` gives the newest, for the time and the site's name."""
    return JsonLines(world) if style == "json" else Words()


def greet(voice: Voice, site: SiteFile, what: str) -> None:
    """What is said first."""
    packs, stations = len(site.site.packs), len(site.site.stations)
    voice.say(f"{site.site.name}: {counted(packs, 'pack')}, {counted(stations, 'station')}")
    voice.say(what)
    voice.say(CAUTIONS)
    voice.say("Ctrl-C brings everything off and ends.\n")

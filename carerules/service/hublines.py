"""The lines of a site to its hub: one for each convention that the site speaks.

Knows how they are opened, and closed together. Does not know what goes over them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from threading import Thread
from typing import Protocol, TypeAlias

from carerules import __version__
from carerules.adapters import MqttAddress
from carerules.adapters.hubline import Ears, Heard, Script
from carerules.config import HubSettings
from carerules.hub import Convention, Discovery, Homie, Places


class Line(Protocol):
    """What is needed of `HubLine`."""

    def start(self) -> None:
        """Begin to connect."""

    def close(self) -> None:
        """Say goodbye."""

    def again(self) -> None:
        """Say everything again."""

    def say(self, topic: str, payload: str) -> None:
        """Something that is not remembered."""

    def orders(self) -> Sequence[Heard]:
        """Those that wait."""

    def pump(self, wanted: Mapping[str, str]) -> bool:
        """Bring the broker nearer to it."""


MakeLine: TypeAlias = Callable[[str, MqttAddress, str | None, Script, Ears], Line]


def closed(lines: Iterable[Line]) -> None:
    """Say goodbye on all of them side by side: to a broker that is away each takes some seconds."""
    ending = [Thread(target=line.close, daemon=True) for line in lines]
    for one in ending:
        one.start()
    for one in ending:
        one.join()


def conventions_of(
    settings: HubSettings, places: Places
) -> tuple[Sequence[Convention], Sequence[Convention]]:
    """The conventions that a site speaks, and those that it does not."""
    every = _conventions(settings, places)
    return [one for on, one in every if on], [one for on, one in every if not on]


def every_convention(settings: HubSettings, places: Places) -> Sequence[Convention]:
    """All that there are, whether the site speaks them or not."""
    return [one for _, one in _conventions(settings, places)]


def _conventions(settings: HubSettings, places: Places) -> Sequence[tuple[bool, Convention]]:
    """One a row, and whether the site speaks it."""
    return [
        (settings.discovery, Discovery(places.key, settings.prefix, __version__)),
        (settings.homie, Homie(places.key, settings.domain)),
    ]


NOTHING: Mapping[str, str] = {}


@dataclass(slots=True)
class Broom:
    """The script of a convention that is no longer spoken: what it left at the broker goes.

    It leaves no will and says no goodbye, which the broker would remember.
    """

    convention: Convention
    will: None = None
    farewell: None = None
    birth: None = None
    orders: tuple[str, ...] = ()

    @property
    def remembered(self) -> tuple[str, ...]:
        """Where that lies."""
        return self.convention.remembered

    def concerns(self, topic: str) -> bool:
        """As the convention has it."""
        return self.convention.concerns(topic)

    def is_ours(self, topic: str, payload: str, kept: Mapping[str, str]) -> bool:
        """As the convention has it."""
        return self.convention.is_ours(topic, payload, kept)

    def steps(
        self, kept: Mapping[str, str], wanted: Mapping[str, str]
    ) -> Sequence[tuple[str, str]]:
        """As the convention has it."""
        return self.convention.steps(kept, wanted)


class Sweep:
    """Takes away what was shown in conventions that are not spoken, and lets go of the broker."""

    def __init__(self, lines: Sequence[Line]) -> None:
        self._lines = list(lines)

    def start(self) -> None:
        """Begin to connect."""
        for line in self._lines:
            line.start()

    @property
    def is_done(self) -> bool:
        """Whether nothing is left to take away."""
        return not self._lines

    def go_on(self) -> None:
        """As far as it goes now."""
        for line in [one for one in self._lines if one.pump(NOTHING)]:
            self._lines.remove(line)
            Thread(target=line.close, daemon=True).start()

    def close(self) -> None:
        """Wherever it has come to: the next start finds the rest."""
        closed(self._lines)

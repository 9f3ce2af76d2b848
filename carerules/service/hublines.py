"""The lines of a site to its hub: one for each convention that the site speaks.

Knows how they are opened, and closed together. Does not know what goes over them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from threading import Thread
from typing import Protocol, TypeAlias

from carerules import __version__
from carerules.adapters import (
    AddressError,
    Ears,
    Heard,
    MqttAddress,
    Problem,
    Script,
    read_password,
)
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


def conventions_of(settings: HubSettings, places: Places) -> Sequence[Convention]:
    """The conventions that a site speaks."""
    found: list[Convention] = []
    if settings.discovery:
        found.append(Discovery(places.key, settings.prefix, __version__))
    if settings.homie:
        found.append(Homie(places.key, settings.domain))
    return found


def password_of(address: MqttAddress) -> str | None:
    """The password of its file, if it has one; raises `AddressError` for a bad one."""
    if address.password_file is None:
        return None
    read = read_password(address.password_file)
    if isinstance(read, Problem):
        raise AddressError(read)
    return read

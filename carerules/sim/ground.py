"""What the world offers to those who act in it: the crew, the wires to the plugs.

Knows the seam. Does not know either side.
"""

from __future__ import annotations

from typing import Protocol

from carerules.domain.event import Event
from carerules.domain.moment import Moment
from carerules.sim.bench import Bench
from carerules.sim.settings import VirtualSettings


class Ground(Protocol):
    """The world, as far as its parts can reach it."""

    seed: int
    settings: VirtualSettings
    bench: Bench

    @property
    def now(self) -> Moment:
        """How far the world has come."""

    def plan(self, kind: str, key: str, at: Moment, what: object = None) -> None:
        """Have something happen at a moment; `what` is plain JSON."""

    def hear(self, event: Event) -> None:
        """Have an event heard at this moment."""

    def place(self, pack: str, station: str | None) -> None:
        """Hang a pack on a station, or take it off, now."""

    def bring(self, pack: str) -> None:
        """Let a pack's truth come to this moment."""

    def hasten(self, pack: str) -> None:
        """The pack's current has changed: its next sample comes soon."""

    def draws(self, name: str, count: int) -> list[float]:
        """Unit-normal draws for whoever is called so."""

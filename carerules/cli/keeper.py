"""The keeper of plans beside a service, real or played.

Knows how it is joined to it. Does not know when a plan is made. Few sites keep one: what makes
plans is imported when there is one, or when the site asks for one each day.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from carerules.adapters import Put
from carerules.config import Planning
from carerules.domain.decision import Outcome
from carerules.domain.event import Event
from carerules.loop import World
from carerules.service import Service

Tell = Callable[[World], None]


def keeper_beside(service: Service, settings: Planning, put: Put) -> None:
    """Have a real site's plans made beside its service."""

    def begin() -> Tell:
        from carerules.service.planning import PlanKeeper  # noqa: PLC0415

        return PlanKeeper(settings, put).tell

    _joined(service, settings, begin)


def played_keeper(service: Service, settings: Planning, enter: Callable[[Event], None]) -> None:
    """Have a virtual site's plans made in its own time."""

    def begin() -> Tell:
        from carerules.service.planning import PlayedPlanKeeper  # noqa: PLC0415

        return PlayedPlanKeeper(settings, enter).tell

    _joined(service, settings, begin)


def _joined(service: Service, settings: Planning, begin: Callable[[], Tell]) -> None:
    tell = service.tell
    keeper: Tell | None = begin() if settings.daily is not None else None

    def told(event: Event, outcomes: Sequence[Outcome], world: World) -> None:
        nonlocal keeper
        tell(event, outcomes, world)
        if keeper is None and world.kept is not None:
            keeper = begin()
        if keeper is not None:
            keeper(world)

    service.tell = told

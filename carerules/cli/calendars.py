"""The calendars beside a service, real or played.

Knows how they are joined to it. Does not know what stands in a calendar. Few sites have any, and
what fetches them is large: it is imported where there are some.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

from carerules.adapters import LineClock, Put
from carerules.cli.common import utter
from carerules.config import SiteFile
from carerules.domain.decision import Notice, Outcome
from carerules.domain.event import Event
from carerules.loop import World
from carerules.service import Service

if TYPE_CHECKING:  # a real site has no use for the virtual one
    from carerules.sim import VirtualOutside


@contextmanager
def calendars_beside(
    site: SiteFile, service: Service, put: Put, clock: LineClock, urge: Callable[[Notice], None]
) -> Iterator[Callable[[], None] | None]:
    """Keep the uses as the site's calendars have them, as long as the service runs. What comes of
    it looks at them at once; None: there are none."""
    if not site.calendars and not any(use.calendar for use in service.world.uses.values()):
        yield None
        return
    from carerules.service.calendars import Calendars  # noqa: PLC0415

    def wall_ms() -> int:
        return clock.now() + clock.offset()

    calendars = Calendars(
        site, service.world, put, wall_ms, urge, lambda line: utter(line, err=True)
    )
    tell = service.tell

    def told(event: Event, outcomes: Sequence[Outcome], world: World) -> None:
        tell(event, outcomes, world)
        calendars.tell(event, world)

    service.tell = told
    calendars.start()
    try:
        yield calendars.look_now if site.calendars else None
    finally:
        calendars.close()


def put_before(service: Service, site: SiteFile, outside: VirtualOutside) -> None:
    """Put a played site's calendars, where it has any, before the service's outside."""
    if site.calendars:
        from carerules.service.played import PlayedCalendars  # noqa: PLC0415

        played = PlayedCalendars(
            site, service.outside, outside.inject, lambda line: utter(line, err=True)
        )
        played.uses = lambda: service.world.uses
        service.outside = played

"""Whether each of a site's calendars can be had and read, for `carerules doctor`.

Knows how one is looked at. Keeps no copy, and plans nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

from carerules.config import CalendarSettings, SiteFile
from carerules.domain.moment import show_duration
from carerules.domain.spelling import counted
from carerules.service.almanac import Almanac, Looked
from carerules.service.finding import Finding


def read_each(site: SiteFile, wall_ms: int) -> Iterator[Finding]:
    """Each calendar, read as the service reads it and within its bounds; all at once, so that one
    that is silent does not hold up the others. Asked only of a site with calendars."""

    def looked(settings: CalendarSettings) -> Looked:
        zone = str(site.site.local.zone)
        return Almanac(settings, zone, site.state, keeps=False).look(wall_ms)

    with ThreadPoolExecutor(len(site.calendars), "calendar") as asking:
        for one, found in zip(site.calendars, asking.map(looked, site.calendars), strict=True):
            about = f"calendar {one.name}"
            if found.said:
                mend = f"see what it is: `carerules calendar {one.name} --fetch`"
                yield Finding(about, "look", found.said, mend)
            else:
                events = counted(len(found.occurrences or ()), "event")
                ahead = f"{events} in the {show_duration(one.ahead)} ahead"
                yield Finding(about, "in order", f"it can be read: {ahead}")

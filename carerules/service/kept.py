"""What the copies of a site's calendars are worth, for those who only look.

Knows where the copies lie. Fetches nothing, and reads no calendar.
"""

from __future__ import annotations

from carerules.adapters.calendarcopy import CopyShelf, origin_of
from carerules.config import SiteFile
from carerules.report import KeptCalendar


def kept_calendars(site: SiteFile) -> tuple[KeptCalendar, ...]:
    """Each calendar of the site file. A virtual site reads files only, each time anew, and keeps
    nothing of them: there is nothing to tell."""
    if site.virtual is not None:
        return ()
    return tuple(_kept(site, one.name, origin_of(one.address)) for one in site.calendars)


def _kept(site: SiteFile, name: str, origin: str) -> KeptCalendar:
    told = CopyShelf(site.state, name, origin).told()
    return KeptCalendar(name) if told is None else KeptCalendar(name, *told)

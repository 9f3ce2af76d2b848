"""What a site file itself says at a start: planned uses, and where packs hang at first.

Knows the site file and the world. Does not know who runs it.
"""

from __future__ import annotations

from collections.abc import Iterator

from carerules.config import SiteFile
from carerules.domain.event import Event, Placed, UsePlanned
from carerules.domain.moment import Moment
from carerules.loop import World


def said_first(site: SiteFile, known: World, now: Moment) -> Iterator[Event]:
    """The events of a start, as far as they are news to what is known already; a pack that somebody
    has ever hung anywhere, or whose station another has, is hung nowhere."""
    for use in site.uses:
        if known.uses.get(use.name) != use:
            yield UsePlanned(now, use)
    for pack, station in site.places.items():
        if not known.packs[pack].placed_at and station not in known.hangs:
            yield Placed(now, pack, station)

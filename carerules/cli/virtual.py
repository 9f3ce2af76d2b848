"""The virtual site of a site file: its world, and the outside that it makes.

Knows the site file and the played world. Does not know what the service decides.
"""

from __future__ import annotations

import json
import os
from errno import ENOSPC
from pathlib import Path

from carerules.adapters import HOST
from carerules.bounded import read_bounded
from carerules.config import SiteFile
from carerules.domain.moment import Moment
from carerules.domain.ports import JournalError
from carerules.service import Service
from carerules.sim import VirtualOutside, VirtualPack, VirtualSettings, VirtualSite, Visits

TRUTH_FILE = "virtual.json"
TRUTH_BYTES_MAX = 1 << 24  # 500 packs take some hundred KiB


def virtual_world(site: SiteFile, seed: int | None = None) -> VirtualSite:
    """The world as the site file has it begin. Asked only of a site that is played."""
    stage = site.virtual
    assert stage is not None
    packs = {
        name: VirtualPack(
            soc=begins.soc, station=site.places.get(name), feed=begins.feed,
            health=begins.health, uneven=begins.uneven,
        )
        for name, begins in stage.packs.items()
    }  # fmt: skip
    settings = VirtualSettings(
        start=stage.start, packs=packs, uses=site.uses, crew=stage.crew, room_c=stage.room_c
    )
    return VirtualSite(site.site, site.chemistries, settings, stage.seed if seed is None else seed)


def virtual_outside(world: VirtualSite, speed: float | None) -> VirtualOutside:
    """The world behind the seam; `speed` None: as fast as it goes."""
    return VirtualOutside(world, speed=speed, real_ms=HOST.awake_ms)


def visited(service: Service, site: SiteFile, world: VirtualSite, outside: VirtualOutside) -> None:
    """Put whoever comes by at certain times of day before the service's outside."""
    if site.virtual is not None and site.virtual.visits:
        minutes = site.virtual.visits
        service.outside = Visits(
            service.outside, world, minutes, outside.inject, lambda: service.world
        )


def keep_truth(world: VirtualSite, folder: Path) -> None:
    """Write the world beside the journal, whole or not at all; raises `JournalError`: without the
    one the other is of no use."""
    new = folder / f"{TRUTH_FILE}.new"
    try:
        new.write_text(json.dumps(world.snapshot()), "utf-8")
        os.replace(new, folder / TRUTH_FILE)
    except OSError as error:
        why, mend = (error.strerror or "unknown fault").lower(), "look at the disk"
        if error.errno == ENOSPC:
            why, mend = "the disk is full", "free some space"
        raise JournalError(f"`{new}` cannot be written: {why}", mend) from error


def take_up_truth(world: VirtualSite, folder: Path, heard: Moment) -> bool:
    """Go on from the world that was kept, brought up to what the service has heard.

    False, and the world is as it begins, when there is none, or it is another site's.
    """
    try:
        kept = json.loads(read_bounded(folder / TRUTH_FILE, TRUTH_BYTES_MAX))
        world.restore(kept)
    except (OSError, ValueError, KeyError, TypeError):
        return False
    # What happened between the last keeping and the end was heard and is in the journal.
    if world.now < heard:
        world.advance(heard)
    return True

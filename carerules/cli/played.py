"""`carerules run` on a virtual site: packs, plugs, room and crew are played.

Knows how the parts are put together. Does not know what any of them decides.
"""

from __future__ import annotations

from contextlib import suppress

from carerules.adapters import KeptJournal
from carerules.cli.boarding import board_beside
from carerules.cli.calendars import put_before
from carerules.cli.common import refuse
from carerules.cli.keeper import played_keeper
from carerules.cli.serving import serve, service_of
from carerules.cli.virtual import keep_truth, take_up_truth, virtual_outside, virtual_world, visited
from carerules.cli.voice import Style, greet
from carerules.config import SiteFile
from carerules.domain.event import Started, Tick
from carerules.domain.moment import SECOND
from carerules.loop import Setup, World
from carerules.service import dump_world, restore
from carerules.service.reload import fed


def run_played(
    site: SiteFile, setup: Setup, journal: KeptJournal, speed: float | None, days: float | None,
    style: Style,
) -> list[str]:  # fmt: skip
    """Serve it at its own pace, or so many times real time; what is wrong at the end."""
    assert site.virtual is not None
    world = virtual_world(site)
    known = restore(fed(journal), setup, world.now)
    fresh = not take_up_truth(world, site.state, known.now)
    if fresh and journal.last_seq:
        refuse(f"`{site.state}` has a journal but not the virtual world that it is of",
               f"move `{site.state}` away to begin anew")  # fmt: skip
    pace = speed if speed is not None else site.virtual.speed
    outside = virtual_outside(world, pace)
    service, voice = service_of(known, outside, journal, journal, style,
                              idle=max(SECOND, round(pace * SECOND)))  # fmt: skip
    greet(voice, site, f"VIRTUAL SITE, seed {world.seed}, at {pace:g} times real time: packs, "
                       "plugs and room are played, nothing real is switched")  # fmt: skip

    def snapshot(now: World) -> None:
        journal.save_snapshot(journal.last_seq, dump_world(now))
        journal.commit()
        journal.forget(journal.seq_at(now.now - site.keep_samples))
        keep_truth(world, site.state)

    service.snapshot, service.entered = snapshot, world.tell
    visited(service, site, world, outside)
    put_before(service, site, outside)
    played_keeper(service, site.planning, outside.inject)
    first = [Started(max(outside.now(), known.now), 0)]

    def wake() -> None:
        with suppress(ValueError):  # so many wait already that it is awake
            outside.inject(Tick(outside.now()))

    with board_beside(site, site.board, service, wake, voice.say):
        return serve(service, voice, first, wake, days, shared=journal.fenced)

"""The journal gone through for a stretch of one pack's past.

Knows where to begin, so that a day is not read from the first of the year. Acts on nothing.
"""

from __future__ import annotations

from carerules.domain.event import (
    A_PERSON,
    ChannelProved,
    Event,
    PlugReport,
    Rejected,
    Sample,
    SiteSample,
)
from carerules.domain.event import Tick as TickEvent
from carerules.domain.moment import DAY, Duration, Moment
from carerules.loop import World, learn, new_world, stranger
from carerules.report import Diary, TimelineShape
from carerules.report.timeline import Timeline
from carerules.service.memory import load_world
from carerules.service.reading import Reader

LEAD_IN: Duration = 2 * DAY
"""So long before the stretch samples are read: a pack that is measured is known within hours, and a
rule's `for` of a day has run its course. What people said is read from the beginning, and what a
plug metered while it was on: of a pack that tells nothing of itself, there is nothing besides."""


def timeline_of(reader: Reader, pack: str, since: Moment, until: Moment) -> TimelineShape:
    """The stretch, with today's rules looking on; asked only for a pack of the site.

    Truth of rules and charge are what today's rules and estimate make of what was heard; what was
    decided, switched and said is as it was journalled then.
    """
    line = Timeline(pack, since, until)
    diary = Diary(reader.setup.site.local, reader.setup.signals)
    world, after = _before(reader, since)
    if world is not None:
        diary.begin(world)
    for seq, event, decided in reader.told(after):
        if event.heard > until:
            break
        if world is None:
            world = new_world(reader.setup, event.heard)
        if event.heard < world.now or stranger(reader.setup, event):
            continue
        if event.heard < since - LEAD_IN and is_chatter(event) and not decided:
            continue
        world = learn(world, event, decided)
        rows = list(diary.rows(seq, event, decided, pack))
        line.note(world, decided, rows)
    if world is None:
        world = new_world(reader.setup, until)
    elif world.now < until:
        world = learn(world, TickEvent(until), ())
        line.note(world, (), ())
    return line.shape(world)


def _before(reader: Reader, moment: Moment) -> tuple[World | None, int]:
    """The newest state kept from before the moment, with the same rules; or none."""
    for seq, text in reader.snapshots():
        world = load_world(text, reader.setup)
        if world is not None and world.now < moment and not world.muted:
            return world, seq
    return None, 0


def is_chatter(event: Event) -> bool:
    """Whether it comes by the clock, and of days ago tells nothing that a later one does not."""
    match event:
        case Sample():
            return event.source != A_PERSON
        case PlugReport():
            return not event.on
        case _:
            return isinstance(event, (TickEvent, SiteSample, Rejected, ChannelProved))

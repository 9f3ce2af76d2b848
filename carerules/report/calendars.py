"""What a calendar would plan, beside what is planned: in words, and in a shape.

Knows uses, wishes and what was read. Does not know where a calendar lies.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Literal, TypeAlias

from pydantic import AwareDatetime

from carerules.calendar import Occurrence, Pick, changes, picked_by, wanted_of
from carerules.domain.event import UsePlanned
from carerules.domain.pack import Use
from carerules.domain.spelling import counted
from carerules.loop import World
from carerules.report.page import fold, show_at
from carerules.report.shapes import Shape

State: TypeAlias = Literal["planned", "new", "changed", "gone"]


class CalendarUseShape(Shape):
    """A use that a calendar means, against what is planned now."""

    use: str
    start: AwareDatetime
    packs: list[str]
    state: State


class CalendarShape(Shape):
    """One calendar: when its copy was last known to be current, why no newer one is to be had, its
    uses, how many events mean none, and which could not be read. `known`: whether there is a copy
    at all; without one nothing is planned or called off."""

    calendar: str
    known: bool
    good_at: AwareDatetime | None
    why: str | None
    uses: list[CalendarUseShape]
    events_without_use: int
    left_out: list[str]


class CalendarsShape(Shape):
    """What `carerules calendar --json` says."""

    shape: Literal[1] = 1
    site: str
    now: AwareDatetime
    calendars: list[CalendarShape]


def calendar_of(
    world: World, name: str, occurrences: Sequence[Occurrence] | None, picks: Sequence[Pick],
    why: str, good_at: datetime | None, left_out: Sequence[str],
) -> CalendarShape:  # fmt: skip
    """One calendar against the world's uses; `occurrences` None: nothing is known of it."""
    found = occurrences or ()
    uses = [] if occurrences is None else _uses(world, name, found, picks)
    return CalendarShape(
        calendar=name, known=occurrences is not None, good_at=good_at, why=why or None, uses=uses,
        events_without_use=sum(not picked_by(one, picks) for one in found),
        left_out=list(left_out),
    )  # fmt: skip


def _uses(
    world: World, name: str, occurrences: Sequence[Occurrence], picks: Sequence[Pick]
) -> list[CalendarUseShape]:
    known, now = world.uses, world.now
    states: dict[str, tuple[Use, State]] = {
        use.name: (use, "planned")
        for use in known.values()
        if use.calendar == name and use.start > now
    }
    for event in changes(known, wanted_of(occurrences, picks, world.local), name, now):
        if isinstance(event, UsePlanned):
            states[event.use.name] = (
                event.use,
                "changed" if event.use.name in states else "new",
            )
        else:
            states[event.name] = (known[event.name], "gone")
    return [
        CalendarUseShape(
            use=use.name, start=world.local.read(use.start), packs=sorted(use.packs), state=state
        )
        for use, state in sorted(states.values(), key=lambda pair: pair[0].start)
    ]  # fmt: skip


def calendar_lines(shape: CalendarsShape) -> list[str]:
    """The calendars for a terminal."""
    if not shape.calendars:
        return ["the site file has no `[calendar.NAME]`"]
    return [line for one in shape.calendars for line in _lines(one)]


_WORDS: dict[State, str] = {
    "planned": "planned  ", "new": "new      ", "changed": "changed  ", "gone": "gone     ",
}  # fmt: skip


def _lines(one: CalendarShape) -> Iterator[str]:
    copy = "no copy" if one.good_at is None else f"as of {show_at(one.good_at)}"
    yield from fold(f"{one.calendar}  ", f"{copy}{f'; {one.why}' if one.why else ''}")
    for use in one.uses:
        text = f"{use.use} ({', '.join(use.packs)})"
        yield from fold(f"  {_WORDS[use.state]}{show_at(use.start)}  ", text)
    if one.known and not one.uses:
        yield "  no use is planned by it"
    if one.events_without_use:
        yield f"  {counted(one.events_without_use, 'event means', 'events mean')} no use"
    for line in one.left_out:
        yield from fold("  left out ", line)

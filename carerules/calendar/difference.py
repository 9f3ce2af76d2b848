"""What must change so that the world's planned uses are those that a calendar asks for.

Knows uses and which calendar each is from. Does not know where the calendar lies. A use that was
planned by hand, or by another calendar, is never touched; nor is one that has begun.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import count

from carerules.calendar.wanted import Wanted
from carerules.domain.event import UseDropped, UsePlanned
from carerules.domain.moment import Moment
from carerules.domain.pack import Use


def changes(
    known: Mapping[str, Use], wanted: Iterable[Wanted], calendar: str, now: Moment
) -> tuple[UsePlanned | UseDropped, ...]:
    """The events, heard `now`, after which the uses of `calendar` that lie ahead are the wanted.

    A use bears its title, with a number where another has that name already. Those to plan come
    first, so that a use that was moved never leaves its packs without any. Taken in, the same
    wish leads to nothing more.
    """
    kept: set[str] = set()
    planned: list[UsePlanned] = []
    for one in wanted:
        if one.start <= now or not one.packs:
            continue
        name = one.title
        for number in count(2):
            held = known.get(name)
            if name not in kept and (held is None or _is_ours(held, calendar, now)):
                break
            name = f"{one.title} ({number})"
        kept.add(name)
        use = Use(name, one.start, one.packs, calendar)
        if known.get(name) != use:
            planned.append(UsePlanned(now, use))
    dropped = [
        UseDropped(now, name)
        for name, use in known.items()
        if name not in kept and _is_ours(use, calendar, now)
    ]
    return (*planned, *dropped)


def _is_ours(use: Use, calendar: str, now: Moment) -> bool:
    """Whether it may be changed or called off."""
    return use.calendar == calendar and use.start > now

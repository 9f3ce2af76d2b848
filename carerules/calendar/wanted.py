"""Which uses the events of a calendar mean: by words in the summary, or by categories.

Knows occurrences and picks. Does not know iCalendar, nor what is planned already.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from carerules.calendar.occurrence import Occurrence
from carerules.domain.frozen import guarded
from carerules.domain.moment import LocalTime, Moment


@guarded
class Pick:
    """Which events plan a use of which packs.

    An event is picked that has one of the words in its summary, or is of one of the categories;
    with neither words nor categories, every event is.
    """

    name: str
    packs: frozenset[str]
    words: tuple[str, ...] = ()
    categories: tuple[str, ...] = ()


@guarded
class Wanted:
    """A use that a calendar asks for: `title` names it, where no other use has that name."""

    title: str
    start: Moment
    packs: frozenset[str]


def wanted_of(
    occurrences: Iterable[Occurrence], picks: Sequence[Pick], local: LocalTime
) -> tuple[Wanted, ...]:
    """The uses that occurrences mean, soonest first.

    An event that several picks mean wants the packs of all; so do events of one title at one time.
    """
    packs: dict[tuple[Moment, str], frozenset[str]] = {}
    for one in occurrences:
        meant = frozenset(pack for pick in picked_by(one, picks) for pack in pick.packs)
        if meant:
            key = (one.start_ms - local.offset, f"{one.title} {one.day}")
            packs[key] = packs.get(key, frozenset()) | meant
    return tuple(Wanted(title, start, packs[start, title]) for start, title in sorted(packs))


def picked_by(one: Occurrence, picks: Iterable[Pick]) -> list[Pick]:
    """The picks that mean this event."""
    text = _plain(one.text)
    categories = {_plain(category) for category in one.categories}
    return [
        pick
        for pick in picks
        if not (pick.words or pick.categories)
        or any(_has(text, _plain(word)) for word in pick.words)
        or any(_plain(category) in categories for category in pick.categories)
    ]


def _plain(text: str) -> str:
    """Capitals and spaces do not matter."""
    return " ".join(text.casefold().split())


def _has(text: str, words: str) -> bool:
    """Whole words only: who wrote `dive` did not mean `diversion`."""
    return re.search(rf"(?<!\w){re.escape(words)}(?!\w)", text) is not None

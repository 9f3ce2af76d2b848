"""iCalendar (RFC 5545) to occurrences: bytes and a stretch of time in, events or troubles out.

Knows the format and its libraries. Does not know packs. Never raises for what the bytes hold; what
never ends is ended from outside (adapters/apart), though `guard` keeps the usual ways out.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager, nullcontext
from datetime import UTC, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import icalendar
import recurring_ical_events

from carerules.calendar.guard import check
from carerules.calendar.occurrence import (
    CALENDAR_BYTES_MAX,
    CATEGORIES_MAX,
    CATEGORY_CHARS_MAX,
    OCCURRENCES_MAX,
    TITLE_CHARS_MAX,
    TROUBLES_MAX,
    Asked,
    Expanded,
    Occurrence,
    TooMuchError,
    Unread,
    one_line,
)

TEXT_CHARS_MAX = 1_000
"""Of a summary, in which words are looked for: nobody writes more on one line."""
MARGIN = timedelta(days=2)
"""Looked at on both sides of the stretch: wide enough for a time without a zone, in any zone."""
SERIES_MAX = 20_000
"""Four times what fits the bytes at the usual length of an event."""


def expand(
    data: bytes, asked: Asked, within: Callable[[], AbstractContextManager[None]] = nullcontext
) -> Expanded | Unread:
    """The events that begin in the stretch, soonest first.

    Each event with all that recurs of it is expanded `within` a limit, which may raise
    `TooMuchError`.

    A time without a zone is one of the site's; an event that is called off is none; a time that
    daylight saving skips or repeats is read as RFC 5545, section 3.3.5 says. An event that cannot
    be read is left out, with all that recurs of it, and told.
    """
    if len(data) > CALENDAR_BYTES_MAX:
        return Unread(f"found more than {CALENDAR_BYTES_MAX >> 20} MiB")
    try:
        calendars = icalendar.Calendar.from_ical(data, multiple=True)
    except Exception as error:  # the library raises many kinds for what it cannot read
        return Unread(f"found no calendar: {_why(error)}")
    if not calendars or any(one.name != "VCALENDAR" for one in calendars):
        return Unread("found no calendar: wanted `BEGIN:VCALENDAR` ... `END:VCALENDAR`")
    found: list[Occurrence] = []
    troubles: list[str] = []
    series = [group for one in calendars for group in _series(one)]
    if len(series) > SERIES_MAX:
        return Unread(f"found {len(series)} events, wanted at most {SERIES_MAX}")
    for group in series:
        try:
            with within():
                found += _occurrences(group, asked)
        except TooMuchError as error:
            troubles.append(f"{_named(group)}: {error}")
        except Exception as error:  # as above
            troubles.append(f"{_named(group)}: {_why(error)}")
        if len(found) > OCCURRENCES_MAX:
            return Unread(f"found more than {OCCURRENCES_MAX} events in the days ahead")
    found.sort(key=lambda one: (one.start_ms, one.title))
    return Expanded(tuple(found), _told(troubles))


def _series(calendar: icalendar.Calendar) -> list[list[icalendar.Component]]:
    """The events that belong together: what recurs, and what was changed of it."""
    groups: dict[object, list[icalendar.Component]] = {}
    for number, event in enumerate(calendar.walk("VEVENT")):
        uid = _said(event, "UID")
        groups.setdefault(uid or number, []).append(event)
    return list(groups.values())


def _occurrences(group: Sequence[icalendar.Component], asked: Asked) -> list[Occurrence]:
    zone = ZoneInfo(asked.zone)
    until = datetime.fromtimestamp(asked.until_ms / 1_000, UTC)
    begin = datetime.fromtimestamp(asked.from_ms / 1_000, UTC)
    for event in group:
        check(event)
    alone = icalendar.Calendar()
    for event in group:
        alone.add_component(event)
    query = recurring_ical_events.of(alone, components=["VEVENT"])
    occurring = query.between(begin - MARGIN, until + MARGIN)
    shown = (_occurrence(one, zone, asked.all_day_min) for one in occurring if not _is_off(one))
    return [one for one in shown if asked.from_ms <= one.start_ms < asked.until_ms]


def _occurrence(event: icalendar.Component, zone: ZoneInfo, all_day_min: int) -> Occurrence:
    said: Any = event["DTSTART"]
    start = said.dt
    all_day = not isinstance(start, datetime)
    if not isinstance(start, datetime):
        begins = time(*divmod(all_day_min, 60))
        start = datetime.combine(start, begins)
    if start.tzinfo is None:
        start = start.replace(tzinfo=zone)
    text = _said(event, "SUMMARY")[:TEXT_CHARS_MAX]
    return Occurrence(
        title=one_line(text, TITLE_CHARS_MAX) or "without a title",
        text=text,
        categories=_categories(event),
        start_ms=round(start.timestamp() * 1_000),
        day=start.astimezone(UTC).astimezone(zone).strftime("%Y-%m-%d"),
        all_day=all_day,
    )


def _is_off(event: icalendar.Component) -> bool:
    return _said(event, "STATUS").strip().upper() == "CANCELLED"


def _said(event: icalendar.Component, key: str) -> str:
    """The text under a key, the first where there are several; nothing where it is no text."""
    value: Any = event.get(key)
    first = value[0] if isinstance(value, list) and value else value
    return str(first) if isinstance(first, icalendar.vText) else ""


def _categories(event: icalendar.Component) -> tuple[str, ...]:
    said: Any = event.get("CATEGORIES", [])
    found = [str(word) for one in (said if isinstance(said, list) else [said])
             for word in getattr(one, "cats", [one])]  # fmt: skip
    return tuple(one_line(word, CATEGORY_CHARS_MAX) for word in found[:CATEGORIES_MAX])


def _named(group: Sequence[icalendar.Component]) -> str:
    title = one_line(_said(group[0], "SUMMARY"), TITLE_CHARS_MAX).replace("`", "·")
    return f"`{title or 'without a title'}`"


_BROKEN = re.compile(r"^Cannot access '\w+' on broken property '([\w-]+)' \(.*?\): ")


def _why(error: Exception) -> str:
    """The library's words where they are for people, on one line and not too long."""
    if not isinstance(error, ValueError):
        return "it cannot be read"
    text = _BROKEN.sub(r"\1: ", str(error))
    # The library ends with what it found, which may be a full stop, or nothing.
    said = one_line(text, 100).replace("`", "·").rstrip(" .:") or "it cannot be read"
    return said if said[:2].isupper() else said[:1].lower() + said[1:]


def _told(troubles: Iterable[str]) -> tuple[str, ...]:
    lines = sorted(troubles)
    more = len(lines) - TROUBLES_MAX
    return (*lines[:TROUBLES_MAX], *([f"and {more} more"] if more > 0 else []))

"""What is read out of a calendar: events as they occur, and how they travel between processes.

Knows the words and their bounds. Does not know iCalendar, nor which packs are meant.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

from carerules.domain.frozen import guarded
from carerules.domain.spelling import printable

CALENDAR_BYTES_MAX = 2 << 20
"""Some five thousand events with their descriptions: ten years of a busy club."""
OCCURRENCES_MAX = 1_000
"""In the stretch asked for; sixteen a day for two months. A site file has as many uses at most."""
TITLE_CHARS_MAX = 60
"""Of a summary; with its day it fits the 80 characters of a use's name."""
CATEGORIES_MAX = 20
CATEGORY_CHARS_MAX = 80
TROUBLES_MAX = 5
"""So many events that cannot be read are told one by one, the rest as a number."""


@guarded
class Occurrence:
    """One event as it occurs once.

    `title` is one printable line, `text` the whole summary to look for words in; `start_ms` counts
    from the Unix epoch, on the wall clock; `day` is that in the site's zone.
    """

    title: str
    text: str
    categories: tuple[str, ...]
    start_ms: int
    day: str
    all_day: bool = False


@guarded
class Asked:
    """A stretch of wall time (ms since the Unix epoch, the end not within), the zone of what has
    none, and the minute of the day at which an event begins that lasts all day."""

    from_ms: int
    until_ms: int
    zone: str
    all_day_min: int = 0


@guarded
class Expanded:
    """The occurrences of a stretch, soonest first; and what had to be left out, a line each."""

    occurrences: tuple[Occurrence, ...]
    troubles: tuple[str, ...] = ()


@guarded
class Unread:
    """Nothing of a calendar can be used: why, in one line."""

    why: str


class TooMuchError(Exception):
    """An event that is not expanded: why, in one line."""


class GarbledError(Exception):
    """What came from the other process is not what was agreed."""


def ask_dump(asked: Asked, data: bytes) -> bytes:
    """What is asked, on one line, and the calendar behind it."""
    return json.dumps(asdict(asked)).encode() + b"\n" + data


def ask_load(given: bytes) -> tuple[Asked, bytes]:
    """The other way."""
    head, _, data = given.partition(b"\n")
    return Asked(**json.loads(head)), data


def answer_dump(answer: Expanded | Unread) -> bytes:
    """An answer as bytes of JSON."""
    return json.dumps(asdict(answer)).encode()


def answer_load(said: bytes) -> Expanded | Unread:
    """The other way; raises `GarbledError`."""
    try:
        found: dict[str, Any] = json.loads(said)
        if "why" in found:
            return Unread(str(found["why"]))
        rows = (
            Occurrence(**{**row, "categories": tuple(row["categories"])})
            for row in found["occurrences"]
        )
        return Expanded(tuple(rows), tuple(map(str, found["troubles"])))
    except (ValueError, KeyError, TypeError) as error:
        raise GarbledError("the reader of calendars said something else than agreed") from error


def one_line(text: str, chars_max: int) -> str:
    """Somebody's words on one line, each sign that could play with a terminal as a dot."""
    shown = printable(" ".join(text.split()))
    return shown if len(shown) <= chars_max else f"{shown[: chars_max - 1]}…"

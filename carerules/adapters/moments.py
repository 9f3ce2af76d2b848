"""Times as a person types them: `08:00`, `yesterday 18:00`, `2026-12-05T08:00`.

Knows the forms. Does not know what time it is: `now` is passed in, aware, in the site's zone.
What comes back is in UTC: two times of one zone compare by the wall in Python, which is wrong in
the hour that comes twice.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta

from carerules.adapters.problem import Problem, quoted
from carerules.domain.moment import LocalTime

AHEAD_MAX = timedelta(minutes=1)
AGE_MAX = timedelta(days=3_650)  # older than any lithium pack in service: a slip in the year
PLANNED_MAX = timedelta(days=3_650)

WANTED = "a time such as `08:00`, `yesterday 18:00` or `2026-12-05T08:00`"
WANTED_AHEAD = WANTED.replace("yesterday", "tomorrow")

_DAY_TIME = re.compile(r"(?:(today|yesterday|tomorrow)\s+)?(\d{1,2}):(\d{2})", re.IGNORECASE)
_DAYS = {"yesterday": -1, "today": 0, "tomorrow": 1}


def read_past(text: str | None, now: datetime) -> datetime | Problem:
    """When something was so; without a text: now. A time ahead of now is refused.

    A bare clock time is today's; a time that comes twice in the night when clocks go back is the
    first of the two, unless written with its offset (`2026-10-25T02:30+01:00`).
    """
    present = now.astimezone(UTC)
    if text is None:
        return present
    read = _read(text, now)
    if isinstance(read, Problem):
        return read
    if read > present + AHEAD_MAX:
        mend = f"was it `yesterday {text.strip()}`?" if _is_bare(text) else "look at the date"
        return Problem(f"{quoted(text)}, which lies ahead", "a time in the past", mend)
    if read < present - AGE_MAX:
        return Problem(quoted(text), "a time in the last ten years", "look at the year")
    return min(read, present)


def read_future(text: str, now: datetime) -> datetime | Problem:
    """When something is planned; a bare clock time that is over today means tomorrow's."""
    present = now.astimezone(UTC)
    read = _read(text, now, WANTED_AHEAD)
    if not isinstance(read, Problem) and read <= present and _is_bare(text):
        read = _read(f"tomorrow {text.strip()}", now)
    if isinstance(read, Problem):
        return read
    if read <= present:
        return Problem(f"{quoted(text)}, which is over", "a time ahead", "look at the date")
    if read > present + PLANNED_MAX:
        return Problem(quoted(text), "a time in the next ten years", "look at the year")
    return read


def _is_bare(text: str) -> bool:
    return re.fullmatch(r"\d{1,2}:\d{2}", text.strip()) is not None


def _read(text: str, now: datetime, wanted: str = WANTED) -> datetime | Problem:
    assert now.tzinfo is not None
    words = text.strip()
    try:
        wall = _wall(words, now)
        # Through LocalTime, so that a time which the clock change skips is the first after it.
        return datetime.fromtimestamp(LocalTime(now.tzinfo).moment(wall) / 1_000, UTC)
    except (ValueError, OverflowError, OSError):
        return Problem(quoted(text), wanted, _mend(words))


def _mend(words: str) -> str:
    """For what is no time."""
    if re.fullmatch(r"\d{4}-\d{2}-\d{2}", words):
        whole = f"add the clock time: `{words}T00:00`"
        return whole if _is_day(words) else "look at the month and the day"
    if words.lower() in _DAYS:
        return f"add the clock time: `{words.lower()} 08:00`"
    if (turned := re.match(r"(\d{1,2})\.(\d{1,2})\.(\d{4})\b", words)) is not None:
        day, month, year = turned.groups()
        return f"the year comes first: `{year}-{month:0>2}-{day:0>2}T08:00`"
    if re.match(r"(?:next |on )?(?:mon|tue|wed|thu|fri|sat|sun)", words, re.IGNORECASE):
        return "write its date, such as `2026-12-05T08:00`: a day of the week comes again"
    if re.match(r"\d{1,2}/\d{1,2}/\d{2,4}\b", words) or re.search(r"\bday|\bweek|\bmonth", words):
        return "write the year, the month, the day: such as `2026-12-05T08:00`"
    return "write the clock time with a colon, in 24 hours"


def _is_day(words: str) -> bool:
    try:
        date.fromisoformat(words)
    except ValueError:
        return False
    return True


def _wall(words: str, now: datetime) -> datetime:
    match = _DAY_TIME.fullmatch(words)
    if match is not None:
        day = now.date() + timedelta(days=_DAYS[(match[1] or "today").lower()])
        return datetime.combine(day, time(int(match[2]), int(match[3])))
    # A date without a clock time would be midnight, which nobody means.
    if not re.match(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}", words):
        raise ValueError
    return datetime.fromisoformat(words)

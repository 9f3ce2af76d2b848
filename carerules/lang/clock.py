"""From clock times and names of days to minutes and numbers.

Knows the clock and the week. Does not know dates, nor what is bound to a time.
"""

from __future__ import annotations

from carerules.domain.action import DayWindow
from carerules.domain.condition import OnDays
from carerules.domain.diagnostic import Mend
from carerules.domain.wording import DAY_NAMES
from carerules.lang import syntax as s
from carerules.lang.findings import nearest
from carerules.lang.scope import Scope


def day_window(node: s.WindowNode, scope: Scope) -> DayWindow | None:
    """A stretch of each day; of no length it is a slip. None: told to the findings."""
    since, until = (minute_of_day(word, scope) for word in (node.since, node.until))
    if since is None or until is None:
        return None
    if since == until:
        scope.findings.add(
            "clock-time", f"the stretch from {node.since.text} to {node.until.text} is empty",
            node.span, Mend("leave `during` out if the whole day is meant"),
        )  # fmt: skip
        return None
    return DayWindow(since, until)


def minute_of_day(word: s.Word, scope: Scope) -> int | None:
    """The minutes after midnight of a clock time; None: told to the findings."""
    hours, minutes = (int(part) for part in word.text.split(":"))
    if hours < 24 and minutes < 60:
        return hours * 60 + minutes
    midnight = (hours, minutes) == (24, 0)
    scope.findings.add(
        "clock-time", f"`{word.text}` is no time of day; they go from 00:00 to 23:59", word.span,
        Mend("write `00:00`", "00:00", safe=True) if midnight else Mend("write it as `22:00`"),
    )  # fmt: skip
    return None


def on_days(node: s.DaysNode, scope: Scope) -> OnDays | None:
    """The days of a condition, each once and in order; None: told to the findings."""
    found = [weekday(word, scope) for word in node.days]
    sound = {day for day in found if day is not None}
    return None if None in found else OnDays(tuple(sorted(sound)))


_LONG_DAYS = {"weekend": "sat, sun", "weekends": "sat, sun", "weekdays": "mon, tue, wed, thu, fri"}


def weekday(word: s.Word, scope: Scope, *, capital: bool = False) -> int | None:
    """The number of a day, Monday 0; `capital`: `Sat` is as good as `sat`, as beside a time."""
    names = (*DAY_NAMES, *(day.capitalize() for day in DAY_NAMES)) if capital else DAY_NAMES
    if word.text in names:
        return names.index(word.text) % 7
    lower = word.text.lower()
    full = next((d for d in DAY_NAMES if lower.startswith(d)), None)
    name = _LONG_DAYS.get(lower) or full or nearest(lower, DAY_NAMES)
    if capital and name is not None:
        name = name[:3].capitalize()  # one of them: a time is on one day
    scope.findings.add(
        "unknown-day", f"unknown day `{word.text}`", word.span,
        Mend(f"write `{name}`", name) if name else Mend(
            "the days are " + ", ".join(names[-7:])),
    )  # fmt: skip
    return None

"""Stretches of the day and days of the week, as moments on the line.

Knows the wall clock's rules. Does not know conditions. A time of day that a clock change skips is
the first instant after the gap; one that comes twice is the first of the two.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta

from carerules.domain.action import DayWindow
from carerules.domain.moment import MINUTE, LocalTime, Moment


def inside(window: DayWindow, now: Moment, local: LocalTime) -> tuple[bool, Moment]:
    """Whether `now` lies in the window, and the next moment at which that changes."""
    today = local.read(now).date()
    within = False
    edges: list[Moment] = []
    for days in (-1, 0, 1, 2):
        day = today + timedelta(days=days)
        since = _at(day, window.since, local)
        last = day if window.until > window.since else day + timedelta(days=1)
        until = _at(last, window.until, local)
        if until <= since and window.is_moment:
            until = since + MINUTE  # skipped by a clock change: the first minute after the gap
        within = within or since <= now < until
        edges += (since, until)
    # Two windows of neighbouring days may touch (22:00-22:00): the answer then does not change at
    # that edge, and looking once too often costs nothing.
    return within, min(edge for edge in edges if edge > now)


def on_days(days: tuple[int, ...], now: Moment, local: LocalTime) -> tuple[bool, Moment]:
    """Whether today is one of the weekdays (Monday 0), and the next midnight.

    A day lasts until the next one's first instant: an hour that the clocks then give back to the
    day before, where they do so after midnight, still belongs to the new day.
    """
    today = local.read(now).date()
    starts = [(_at(today + timedelta(days=ahead), 0, local), ahead) for ahead in (-1, 0, 1, 2)]
    ahead = max(ahead for start, ahead in starts if start <= now)
    day = today + timedelta(days=ahead)
    return day.weekday() in days, min(start for start, _ in starts if start > now)


def _at(day: date, minute: int, local: LocalTime) -> Moment:
    hour, rest = divmod(minute, 60)
    if hour == 24:  # the end of the day is the next one's midnight
        day, hour = day + timedelta(days=1), 0
    return local.moment(datetime(day.year, day.month, day.day, hour, rest))

"""Calendars: what stands in one, which uses it means, and what must change for them.

Pure but for `worker`, the process in which a stranger's calendar is expanded within limits
(adapters/apart starts it). Only `expand` knows iCalendar and its libraries, and is imported there.
"""

from carerules.calendar.difference import changes
from carerules.calendar.occurrence import (
    CALENDAR_BYTES_MAX,
    OCCURRENCES_MAX,
    Asked,
    Expanded,
    GarbledError,
    Occurrence,
    Unread,
    answer_dump,
    answer_load,
    ask_dump,
    ask_load,
)
from carerules.calendar.wanted import Pick, Wanted, picked_by, wanted_of

__all__ = [
    "CALENDAR_BYTES_MAX",
    "OCCURRENCES_MAX",
    "Asked",
    "Expanded",
    "GarbledError",
    "Occurrence",
    "Pick",
    "Unread",
    "Wanted",
    "answer_dump",
    "answer_load",
    "ask_dump",
    "ask_load",
    "changes",
    "picked_by",
    "wanted_of",
]

"""What happened, in words and tables for people.

Knows outcomes and worlds. Does not know how either came about, nor where it is shown.
"""

from carerules.report.course_shapes import CompareShape, ForecastShape, HealthShape, TimelineShape
from carerules.report.glance import glance_words
from carerules.report.log import Diary, log_lines
from carerules.report.page import WIDTH, Paint, fold, plain, show_at, show_s, wrap
from carerules.report.shapes import (
    ChoresShape,
    LineShape,
    LogShape,
    NeverShape,
    PackShape,
    RuleShape,
    Shape,
    StationShape,
    StatusShape,
    UsesShape,
    WhyShape,
)
from carerules.report.status import (
    Keeper,
    KeptCalendar,
    chores_of,
    pack_now,
    station_now,
    status_of,
    unguarded,
    uses_of,
)
from carerules.report.status_lines import (
    chore_lines,
    job_words,
    status_lines,
    todo_lines,
    uses_lines,
)
from carerules.report.why import seen_words, why_lines, why_of
from carerules.report.words import Line, line_of, said, wish

__all__ = [
    "WIDTH",
    "ChoresShape",
    "CompareShape",
    "Diary",
    "ForecastShape",
    "HealthShape",
    "Keeper",
    "KeptCalendar",
    "Line",
    "LineShape",
    "LogShape",
    "NeverShape",
    "PackShape",
    "Paint",
    "RuleShape",
    "Shape",
    "StationShape",
    "StatusShape",
    "TimelineShape",
    "UsesShape",
    "WhyShape",
    "chore_lines",
    "chores_of",
    "fold",
    "glance_words",
    "job_words",
    "line_of",
    "log_lines",
    "pack_now",
    "plain",
    "said",
    "seen_words",
    "show_at",
    "show_s",
    "station_now",
    "status_lines",
    "status_of",
    "todo_lines",
    "unguarded",
    "uses_lines",
    "uses_of",
    "why_lines",
    "why_of",
    "wish",
    "wrap",
]

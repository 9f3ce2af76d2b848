"""What happened, in words and tables for people.

Knows outcomes and worlds. Does not know how either came about, nor where it is shown.
"""

from carerules.report.ahead import forecast_lines, forecast_of
from carerules.report.calendars import CalendarShape, CalendarsShape, calendar_lines, calendar_of
from carerules.report.course_shapes import CompareShape, ForecastShape, HealthShape, TimelineShape
from carerules.report.glance import glance_words
from carerules.report.health import health_lines, health_of
from carerules.report.labels import Label, Sheet, label_of, sheet_pages
from carerules.report.log import Diary, log_lines
from carerules.report.manual import MADE_BY, CommandRow, OptionRow, examples, manual_pages
from carerules.report.manual_codes import (
    ALL_CODES,
    EXAMPLE_SITE,
    all_codes_lines,
    code_lines,
    code_shape,
    nearest_codes,
)
from carerules.report.markup import Markup, tag
from carerules.report.month import Month
from carerules.report.month_page import month_lines, month_page
from carerules.report.month_shapes import MonthShape
from carerules.report.page import WIDTH, Paint, fold, plain, show_at, show_s
from carerules.report.replayed import Played, ReplayShape, Stretch, replay_lines, replay_of
from carerules.report.saying import SaidShape, record, records_of
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
    chore_lines,
    job_words,
    pack_now,
    station_now,
    status_lines,
    status_of,
    unguarded,
    uses_lines,
    uses_of,
)
from carerules.report.tables import Tables
from carerules.report.timeline import Timeline, compare_lines, timeline_lines
from carerules.report.why import seen_words, why_lines, why_of
from carerules.report.words import Line, line_of, said

__all__ = [
    "ALL_CODES",
    "EXAMPLE_SITE",
    "MADE_BY",
    "WIDTH",
    "CalendarShape",
    "CalendarsShape",
    "ChoresShape",
    "CommandRow",
    "CompareShape",
    "Diary",
    "ForecastShape",
    "HealthShape",
    "Keeper",
    "Label",
    "Line",
    "LineShape",
    "LogShape",
    "Markup",
    "Month",
    "MonthShape",
    "NeverShape",
    "OptionRow",
    "PackShape",
    "Paint",
    "Played",
    "ReplayShape",
    "RuleShape",
    "SaidShape",
    "Shape",
    "Sheet",
    "StationShape",
    "StatusShape",
    "Stretch",
    "Tables",
    "Timeline",
    "TimelineShape",
    "UsesShape",
    "WhyShape",
    "all_codes_lines",
    "calendar_lines",
    "calendar_of",
    "chore_lines",
    "code_lines",
    "code_shape",
    "compare_lines",
    "examples",
    "fold",
    "forecast_lines",
    "forecast_of",
    "glance_words",
    "health_lines",
    "health_of",
    "job_words",
    "label_of",
    "line_of",
    "log_lines",
    "manual_pages",
    "month_lines",
    "month_page",
    "nearest_codes",
    "pack_now",
    "plain",
    "record",
    "records_of",
    "replay_lines",
    "replay_of",
    "said",
    "seen_words",
    "sheet_pages",
    "show_at",
    "show_s",
    "station_now",
    "status_lines",
    "status_of",
    "tag",
    "timeline_lines",
    "unguarded",
    "uses_lines",
    "uses_of",
    "why_lines",
    "why_of",
]

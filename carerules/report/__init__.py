"""What happened, in words and tables for people.

Knows outcomes and worlds. Does not know how either came about, nor where it is shown.
"""

from carerules.report.log import Diary, log_lines
from carerules.report.page import Paint, fold, plain
from carerules.report.shapes import LineShape, LogShape, StatusShape, UsesShape, WhyShape
from carerules.report.status import Keeper, status_lines, status_of, uses_lines, uses_of
from carerules.report.why import why_lines, why_of
from carerules.report.words import Line, line_of, said

__all__ = [
    "Diary",
    "Keeper",
    "Line",
    "LineShape",
    "LogShape",
    "Paint",
    "StatusShape",
    "UsesShape",
    "WhyShape",
    "fold",
    "line_of",
    "log_lines",
    "plain",
    "said",
    "status_lines",
    "status_of",
    "uses_lines",
    "uses_of",
    "why_lines",
    "why_of",
]

"""What happened, in words and tables for people.

Knows outcomes and worlds. Does not know how either came about, nor where it is shown.
"""

from carerules.report.words import Line, line_of, said

__all__ = ["Line", "line_of", "said"]

"""Recurrence held to the examples of RFC 5545, section 3.8.5.3: `DTSTART`, rule and the dates that
the section lists beside them (all at 09:00 in America/New_York)."""

from __future__ import annotations

import pytest
from calendar_kit import asked, calendar, walls

from carerules.calendar.expand import expand

NEW_YORK = "America/New_York"

# Rule, first and last day looked at (the last not within), the days of the section's list.
EXAMPLES = [
    ("daily for 10 occurrences", "19970902", "FREQ=DAILY;COUNT=10", "1997-01-01", "1998-01-01",
     [f"1997-09-{day:02}" for day in range(2, 12)]),
    ("daily until December 24, 1997", "19970902", "FREQ=DAILY;UNTIL=19971224T000000Z",
     "1997-12-20", "1998-01-10", ["1997-12-20", "1997-12-21", "1997-12-22", "1997-12-23"]),
    ("every 10 days, 5 occurrences", "19970902", "FREQ=DAILY;INTERVAL=10;COUNT=5",
     "1997-01-01", "1998-01-01",
     ["1997-09-02", "1997-09-12", "1997-09-22", "1997-10-02", "1997-10-12"]),
    ("weekly for 10 occurrences", "19970902", "FREQ=WEEKLY;COUNT=10", "1997-01-01", "1998-01-01",
     ["1997-09-02", "1997-09-09", "1997-09-16", "1997-09-23", "1997-09-30", "1997-10-07",
      "1997-10-14", "1997-10-21", "1997-10-28", "1997-11-04"]),
    ("every other week, Tuesday and Thursday, for 8 occurrences", "19970902",
     "FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH", "1997-01-01", "1998-01-01",
     ["1997-09-02", "1997-09-04", "1997-09-16", "1997-09-18", "1997-09-30", "1997-10-02",
      "1997-10-14", "1997-10-16"]),
    ("monthly on the first Friday for 10 occurrences", "19970905",
     "FREQ=MONTHLY;COUNT=10;BYDAY=1FR", "1997-01-01", "1999-01-01",
     ["1997-09-05", "1997-10-03", "1997-11-07", "1997-12-05", "1998-01-02", "1998-02-06",
      "1998-03-06", "1998-04-03", "1998-05-01", "1998-06-05"]),
    ("monthly on the second-to-last Monday for 6 months", "19970922",
     "FREQ=MONTHLY;COUNT=6;BYDAY=-2MO", "1997-01-01", "1999-01-01",
     ["1997-09-22", "1997-10-20", "1997-11-17", "1997-12-22", "1998-01-19", "1998-02-16"]),
    ("monthly on the third-to-the-last day, forever", "19970928", "FREQ=MONTHLY;BYMONTHDAY=-3",
     "1997-09-01", "1998-03-01",
     ["1997-09-28", "1997-10-29", "1997-11-28", "1997-12-29", "1998-01-29", "1998-02-26"]),
    ("monthly on the 2nd and 15th for 10 occurrences", "19970902",
     "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=2,15", "1997-01-01", "1999-01-01",
     ["1997-09-02", "1997-09-15", "1997-10-02", "1997-10-15", "1997-11-02", "1997-11-15",
      "1997-12-02", "1997-12-15", "1998-01-02", "1998-01-15"]),
    ("every 20th Monday of the year, forever", "19970519", "FREQ=YEARLY;BYDAY=20MO",
     "1997-01-01", "2000-01-01", ["1997-05-19", "1998-05-18", "1999-05-17"]),
    ("Monday of week number 20, forever", "19970512", "FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO",
     "1997-01-01", "2000-01-01", ["1997-05-12", "1998-05-11", "1999-05-17"]),
    ("every third year on the 1st, 100th, and 200th day for 10 occurrences", "19970101",
     "FREQ=YEARLY;INTERVAL=3;COUNT=10;BYYEARDAY=1,100,200", "1997-01-01", "2007-01-01",
     ["1997-01-01", "1997-04-10", "1997-07-19", "2000-01-01", "2000-04-09", "2000-07-18",
      "2003-01-01", "2003-04-10", "2003-07-19", "2006-01-01"]),
    ("the third instance into the month of one of Tuesday, Wednesday, or Thursday, for 3 months",
     "19970904", "FREQ=MONTHLY;COUNT=3;BYDAY=TU,WE,TH;BYSETPOS=3", "1997-01-01", "1999-01-01",
     ["1997-09-04", "1997-10-07", "1997-11-06"]),
    ("an example where an invalid date (i.e., February 30) is ignored", "20070115",
     "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5", "2007-01-01", "2008-01-01",
     ["2007-01-15", "2007-01-30", "2007-02-15", "2007-03-15", "2007-03-30"]),
    ("where days are counted from Monday (WKST=MO)", "19970805",
     "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO", "1997-01-01", "1998-01-01",
     ["1997-08-05", "1997-08-10", "1997-08-19", "1997-08-24"]),
    ("where days are counted from Sunday (WKST=SU)", "19970805",
     "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU", "1997-01-01", "1998-01-01",
     ["1997-08-05", "1997-08-17", "1997-08-19", "1997-08-31"]),
]  # fmt: skip


@pytest.mark.parametrize("row", EXAMPLES, ids=lambda row: row[0])
def test_a_rule_gives_the_dates_that_the_standard_lists(
    row: tuple[str, str, str, str, str, list[str]],
) -> None:
    _, start, rule, first, last, days = row
    data = calendar(f"DTSTART;TZID={NEW_YORK}:{start}T090000\nRRULE:{rule}\nSUMMARY:survey")
    read = expand(data, asked(first, last, NEW_YORK))
    assert walls(read, NEW_YORK) == [f"{day} 09:00" for day in days]


def test_every_friday_the_13th() -> None:
    """Section 3.8.5.3, with its EXDATE: the start itself is no Friday."""
    data = calendar(
        f"""DTSTART;TZID={NEW_YORK}:19970902T090000
        EXDATE;TZID={NEW_YORK}:19970902T090000
        RRULE:FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13
        SUMMARY:survey"""
    )
    days = ["1998-02-13", "1998-03-13", "1998-11-13", "1999-08-13", "2000-10-13"]
    read = expand(data, asked("1997-01-01", "2001-01-01", NEW_YORK))
    assert walls(read, NEW_YORK) == [f"{day} 09:00" for day in days]


def test_the_clock_stays_over_the_end_of_daylight_saving() -> None:
    """Section 3.8.5.3, "daily for 10 occurrences" runs over 26 October 1997 in its longer forms:
    09:00 EDT before is 09:00 EST after."""
    data = calendar(
        f"DTSTART;TZID={NEW_YORK}:19971025T090000\nRRULE:FREQ=DAILY;COUNT=2\nSUMMARY:survey"
    )
    read = expand(data, asked("1997-10-01", "1997-11-01", NEW_YORK))
    assert walls(read, "UTC") == ["1997-10-25 13:00", "1997-10-26 14:00"]

"""When an event begins: zones, clock changes, times without a zone, days; and what was changed of a
series. Lisbon's clocks go forward on 28 March 2027 at 01:00 and back on 25 October 2026 at 02:00
(Directive 2000/84/EC: the last Sundays of March and October, 01:00 UTC)."""

from __future__ import annotations

import pytest
from calendar_kit import LISBON, asked, calendar, walls

from carerules.calendar import Expanded
from carerules.calendar.expand import expand

# The lines of the event, its begin in UTC.
BEGINS = [
    ("a zone by its name", "DTSTART;TZID=Europe/Lisbon:20261202T090000", "2026-12-02 09:00"),
    ("in summer an hour ahead", "DTSTART;TZID=Europe/Lisbon:20270402T090000", "2027-04-02 08:00"),
    ("another zone than the site's", "DTSTART;TZID=Asia/Tokyo:20261202T090000",
     "2026-12-02 00:00"),
    ("UTC", "DTSTART:20270402T090000Z", "2027-04-02 09:00"),
    ("no zone: the site's", "DTSTART:20270402T090000", "2027-04-02 08:00"),
    # RFC 5545, section 3.3.5: a time that does not exist is read with the offset from before it.
    ("a time that the clocks skip", "DTSTART;TZID=Europe/Lisbon:20270328T013000",
     "2027-03-28 01:30"),
    ("the same without a zone", "DTSTART:20270328T013000", "2027-03-28 01:30"),
    # And of a time that comes twice, the first is meant.
    ("a time that comes twice", "DTSTART;TZID=Europe/Lisbon:20261025T013000", "2026-10-25 00:30"),
    ("a day, at the time that the site says", "DTSTART;VALUE=DATE:20270402", "2027-04-02 06:30"),
    ("several days begin with the first", "DTSTART;VALUE=DATE:20270402\nDTEND;VALUE=DATE:20270405",
     "2027-04-02 06:30"),
]  # fmt: skip


@pytest.mark.parametrize(("lines", "begins"), [row[1:] for row in BEGINS],
                         ids=[row[0] for row in BEGINS])  # fmt: skip
def test_when_an_event_begins(lines: str, begins: str) -> None:
    data = calendar(f"{lines}\nSUMMARY:survey")
    read = expand(data, asked("2026-10-01", "2027-05-01", all_day_min=7 * 60 + 30))
    assert walls(read, "UTC") == [begins]


def test_a_zone_that_the_calendar_describes_itself() -> None:
    """The `VTIMEZONE` of RFC 5545, section 3.6.5, in its short form, under a name nobody knows."""
    zone = """BEGIN:VTIMEZONE
TZID:Shed Standard
BEGIN:STANDARD
DTSTART:19981025T020000
RRULE:FREQ=YEARLY;BYDAY=-1SU;BYMONTH=10
TZOFFSETFROM:-0400
TZOFFSETTO:-0500
TZNAME:EST
END:STANDARD
BEGIN:DAYLIGHT
DTSTART:19990404T020000
RRULE:FREQ=YEARLY;BYDAY=1SU;BYMONTH=4
TZOFFSETFROM:-0500
TZOFFSETTO:-0400
TZNAME:EDT
END:DAYLIGHT
END:VTIMEZONE"""
    data = calendar("DTSTART;TZID=Shed Standard:20261202T090000\nSUMMARY:survey", head=zone)
    read = expand(data, asked("2026-10-01", "2027-05-01"))
    assert walls(read, "UTC") == ["2026-12-02 14:00"]


def test_a_weekly_event_keeps_its_clock_over_a_change() -> None:
    data = calendar("DTSTART;TZID=Europe/Lisbon:20270321T080000\nRRULE:FREQ=WEEKLY\nSUMMARY:survey")
    read = expand(data, asked("2027-03-20", "2027-04-05"))
    assert walls(read, "UTC") == ["2027-03-21 08:00", "2027-03-28 07:00", "2027-04-04 07:00"]
    assert walls(read, LISBON) == ["2027-03-21 08:00", "2027-03-28 08:00", "2027-04-04 08:00"]


SERIES = "UID:s@shed\nDTSTART;TZID=Europe/Lisbon:20261202T090000\nRRULE:FREQ=WEEKLY;COUNT=4\n"


@pytest.mark.parametrize(
    ("more", "begins"),
    [
        pytest.param("", ["02 09", "09 09", "16 09", "23 09"], id="as it is"),
        pytest.param("UID:s@shed\nRECURRENCE-ID;TZID=Europe/Lisbon:20261209T090000\n"
                     "DTSTART;TZID=Europe/Lisbon:20261210T140000\nSUMMARY:survey",
                     ["02 09", "10 14", "16 09", "23 09"], id="one is moved"),
        pytest.param("UID:s@shed\nRECURRENCE-ID;TZID=Europe/Lisbon:20261209T090000\n"
                     "DTSTART;TZID=Europe/Lisbon:20261209T090000\nSTATUS:CANCELLED\nSUMMARY:survey",
                     ["02 09", "16 09", "23 09"], id="one is called off"),
    ],
)  # fmt: skip
def test_what_was_changed_of_a_series(more: str, begins: list[str]) -> None:
    """RFC 5545, sections 3.8.4.4 (RECURRENCE-ID) and 3.8.1.11 (STATUS)."""
    data = calendar(f"{SERIES}SUMMARY:survey", *([more] if more else []))
    read = expand(data, asked("2026-12-01", "2027-01-01"))
    assert walls(read, LISBON) == [f"2026-12-{day[:2]} {day[3:]}:00" for day in begins]


def test_a_series_that_is_called_off_is_none() -> None:
    read = expand(calendar(f"{SERIES}STATUS:CANCELLED\nSUMMARY:survey"),
                  asked("2026-12-01", "2027-01-01"))  # fmt: skip
    assert read == Expanded(())


def test_dates_left_out_and_added() -> None:
    """RFC 5545, sections 3.8.5.1 (EXDATE) and 3.8.5.2 (RDATE)."""
    data = calendar(
        f"""{SERIES}EXDATE;TZID=Europe/Lisbon:20261209T090000,20261216T090000
        RDATE;TZID=Europe/Lisbon:20261211T100000
        SUMMARY:survey"""
    )
    read = expand(data, asked("2026-12-01", "2027-01-01"))
    days = ["2026-12-02 09:00", "2026-12-11 10:00", "2026-12-23 09:00"]
    assert walls(read, LISBON) == days


def test_only_what_begins_in_the_stretch_is_found() -> None:
    """One that began before and goes on is no use that lies ahead; the end is not within."""
    data = calendar(
        "DTSTART;TZID=Europe/Lisbon:20261130T090000\nDTEND;TZID=Europe/Lisbon:20261203T090000",
        "DTSTART;TZID=Europe/Lisbon:20261201T000000\nSUMMARY:first",
        "DTSTART;TZID=Europe/Lisbon:20261202T000000\nSUMMARY:past the end",
    )
    read = expand(data, asked("2026-12-01", "2026-12-02"))
    assert isinstance(read, Expanded)
    assert [one.title for one in read.occurrences] == ["first"]


def test_to_dos_and_journals_are_no_events() -> None:
    data = calendar("DTSTART:20261202T090000Z\nSUMMARY:survey")
    for other in (b"VTODO", b"VJOURNAL"):
        read = expand(data.replace(b"VEVENT", other), asked("2026-12-01", "2027-01-01"))
        assert read == Expanded(())

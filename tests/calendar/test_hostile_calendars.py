"""Calendars that are broken, out of the usual or meant to do harm: a line, never a traceback, and
never without end."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from datetime import UTC, datetime
from io import BytesIO

import pytest
from calendar_kit import asked, calendar
from hypothesis import example, given, settings
from hypothesis import strategies as st

from carerules.adapters.apart import expand_apart
from carerules.calendar import (
    CALENDAR_BYTES_MAX,
    Expanded,
    Unread,
    answer_load,
    ask_dump,
    worker,
)
from carerules.calendar.expand import expand
from carerules.calendar.worker import work

DECEMBER = asked("2026-12-01", "2027-01-01")
GOOD = "DTSTART:20261202T090000Z\nSUMMARY:survey"
AT = "DTSTART:20261202T090000Z\nSUMMARY:odd\n"


def one_sound_line(line: str) -> None:
    """As everything that people are told: one line, no full stop, nothing of Python's."""
    assert line.isprintable()
    assert len(line) < 250
    assert not line.endswith(".")
    assert not re.search(r"Traceback|Error\b|NoneType|__|<class|v[A-Z]\w+'", line), line


@pytest.mark.parametrize(
    "data",
    [
        b"", b"\0", b"\xff\xfe\xff", b"garbage", b"<!doctype html><title>login</title>",
        b"BEGIN:VCALENDAR\r\n", b"BEGIN:VEVENT\r\nEND:VEVENT\r\n",
        calendar(GOOD)[:-30],
    ],
)  # fmt: skip
def test_what_is_no_whole_calendar_is_refused(data: bytes) -> None:
    read = expand(data, DECEMBER)
    assert isinstance(read, Unread)
    one_sound_line(read.why)


def test_more_bytes_than_are_read_are_refused() -> None:
    data = calendar(GOOD)
    full = data + b" " * (CALENDAR_BYTES_MAX - len(data))
    assert "more than 2 MiB" not in str(expand(full, DECEMBER))
    assert expand(full + b" ", DECEMBER) == Unread("found more than 2 MiB")


ODD = [
    (f"{AT}RRULE:FREQ=SECONDLY", "found `FREQ=SECONDLY`, wanted DAILY, WEEKLY, MONTHLY, YEARLY"),
    (f"{AT}RRULE:FREQ=MINUTELY;COUNT=1000000", "found `FREQ=MINUTELY`"),
    (f"{AT}RRULE:FREQ=HOURLY", "found `FREQ=HOURLY`"),
    (f"{AT}RRULE:COUNT=3", "found no `FREQ`"),
    (f"{AT}RRULE:FREQ=FOO", "FOO"),
    (f"{AT}RRULE:FREQ=DAILY;INTERVAL=0", "found `INTERVAL=0`, wanted 1 to 1000"),
    (f"{AT}RRULE:FREQ=DAILY;INTERVAL=1001", "found `INTERVAL=1001`"),
    (f"{AT}RRULE:FREQ=DAILY;BYSECOND={','.join(map(str, range(25)))}", "found 25 times a day"),
    (f"{AT}RRULE:FREQ=DAILY;BYHOUR=1,2,3,4,5;BYMINUTE=1,2,3,4,5", "found 25 times a day"),
    (AT + "RRULE:FREQ=DAILY\n" * 5, "found 5 rules of recurrence, wanted at most 4"),
    (AT + "EXDATE:" + ",".join(["20261202T090000Z"] * 2_001), "found 2001 dates in `EXDATE`"),
    ("DTSTART:00010101T090000\nSUMMARY:odd\nRRULE:FREQ=DAILY", "found the year 1"),
    ("DTSTART:99991231T235959Z\nSUMMARY:odd", "found the year 9999"),
    ("DTSTART:2026120\nSUMMARY:odd", "DTSTART: "),
    ("SUMMARY:odd", "found no `DTSTART`"),
    ("DTSTART;TZID=Mars/Canal:20261202T090000\nSUMMARY:odd", "found `Mars/Canal` in `DTSTART`"),
    ("DTSTART;TZID=../../etc/passwd:20261202T090000\nSUMMARY:odd", "found `../../etc/passwd`"),
]


@pytest.mark.parametrize(("lines", "said"), ODD, ids=[said[:40] for _, said in ODD])
def test_an_event_that_cannot_be_read_is_left_out_and_told(lines: str, said: str) -> None:
    """The others are taken in all the same."""
    read = expand(calendar(lines, GOOD), DECEMBER)
    assert isinstance(read, Expanded)
    assert [one.title for one in read.occurrences] == ["survey"]
    (told,) = read.troubles
    assert told.startswith("`odd`: ")
    assert said in told
    one_sound_line(told)


def test_many_that_cannot_be_read_are_told_as_a_number() -> None:
    read = expand(calendar(*["SUMMARY:odd"] * 12), DECEMBER)
    assert isinstance(read, Expanded)
    assert len(read.troubles) == 6
    assert read.troubles[-1] == "and 7 more"


def test_a_thousand_in_the_days_ahead_and_no_more() -> None:
    def of(count: int) -> bytes:
        hours = ",".join(map(str, range(24)))
        rule = f"RRULE:FREQ=DAILY;COUNT={count};BYHOUR={hours};BYMINUTE=0;BYSECOND=0"
        return calendar(f"DTSTART:20261202T000000Z\n{rule}\nSUMMARY:survey")

    far = asked("2026-12-01", "2027-12-01")
    read = expand(of(1_000), far)
    assert isinstance(read, Expanded)
    assert len(read.occurrences) == 1_000
    assert expand(of(1_001), far) == Unread("found more than 1000 events in the days ahead")


def test_a_summary_cannot_play_with_a_terminal_nor_fill_a_line() -> None:
    read = expand(calendar("DTSTART:20261202T090000Z\nSUMMARY:\x1b[2Jdive" + "x" * 200), DECEMBER)
    assert isinstance(read, Expanded)
    (one,) = read.occurrences
    assert one.title.isprintable()
    assert len(one.title) == 60


# ---- in a process of its own -------------------------------------------------------------------


def test_a_rule_that_never_comes_true_is_ended_and_the_others_are_read() -> None:
    """30 February each day: the library follows it to the year 9999."""
    data = calendar(f"{AT}RRULE:FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30", GOOD)
    read = expand_apart(data, DECEMBER)
    assert isinstance(read, Expanded)
    assert [one.title for one in read.occurrences] == ["survey"]
    assert read.troubles == ("`odd`: found no end of its recurrences within 2 s of work",)


def test_what_takes_too_long_is_ended_from_outside() -> None:
    read = expand_apart(calendar(GOOD), DECEMBER, wait_s=0.0)
    assert read == Unread("no end of reading it within 0 s")


def test_the_process_says_what_the_room_says() -> None:
    data = calendar(GOOD, "SUMMARY:odd", "DTSTART;VALUE=DATE:20261203\nCATEGORIES:a,b")
    assert expand_apart(data, DECEMBER) == expand(data, DECEMBER)
    assert expand_apart(b"garbage", DECEMBER) == expand(b"garbage", DECEMBER)


# ---- anything ----------------------------------------------------------------------------------

KEYS = ["DTSTART", "DTEND", "DURATION", "RRULE", "RDATE", "EXDATE", "RECURRENCE-ID", "STATUS",
        "CATEGORIES", "SUMMARY", "UID", "SEQUENCE", "EXRULE"]  # fmt: skip
VALUES = st.one_of(
    st.sampled_from([
        "20261202T090000Z", "20261202", "20261231T235959", "P1D", "-P1D", "CANCELLED", "1", "-1",
        "FREQ=DAILY;COUNT=3", "FREQ=WEEKLY;BYDAY=MO", "FREQ=DAILY;UNTIL=20261203", "FREQ=YEARLY",
        "FREQ=MONTHLY;BYSETPOS=-1", "20261202T090000Z/PT1H", "FREQ=DAILY;COUNT=-1", "",
    ]),
    st.text(st.characters(exclude_characters="\r\n", exclude_categories=["Cs"]), max_size=20),
)  # fmt: skip
PARAMS = st.sampled_from(["", ";TZID=Europe/Lisbon", ";VALUE=DATE", ";VALUE=PERIOD", ";TZID=",
                          ";RANGE=THISANDFUTURE"])  # fmt: skip
LINES = st.lists(
    st.builds("{}{}:{}".format, st.sampled_from(KEYS), PARAMS, VALUES), max_size=6
)  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(st.lists(LINES, max_size=3))
@example([["DTSTART;VALUE=PERIOD:."]])
def test_no_calendar_raises_and_what_is_found_lies_in_the_stretch(events: list[list[str]]) -> None:
    read = expand(calendar(*("\n".join(lines) for lines in events)), DECEMBER)
    if isinstance(read, Unread):
        one_sound_line(read.why)
        return
    for line in read.troubles:
        one_sound_line(line)
    begin, end = (datetime.fromtimestamp(ms / 1_000, UTC) for ms in
                  (DECEMBER.from_ms, DECEMBER.until_ms))  # fmt: skip
    for one in read.occurrences:
        assert begin <= datetime.fromtimestamp(one.start_ms / 1_000, UTC) < end


@settings(max_examples=50, deadline=None)
@given(st.binary(max_size=200))
def test_no_bytes_raise_and_the_answer_reads_back(data: bytes) -> None:
    said = BytesIO()
    work(BytesIO(ask_dump(DECEMBER, data)), said)
    assert answer_load(said.getvalue()) == expand(data, DECEMBER)


LIMITS = """
import os, resource, signal, sys
from carerules.calendar import worker
{more}
worker.confine()
found = [resource.getrlimit(one)[0] for one in
         (resource.RLIMIT_CPU, resource.RLIMIT_AS, resource.RLIMIT_CORE)]
print(found == [worker.WORK_S_MAX, worker.MEMORY_BYTES_MAX, 0], os.nice(0))
try:
    bytearray(worker.MEMORY_BYTES_MAX)
except MemoryError:
    print("no more memory")
"""


@pytest.mark.parametrize(
    ("more", "nice"),
    [
        ("", 10),
        # As in a sandbox that keeps scheduling to itself: the service's unit is one.
        ("def refused(_): raise PermissionError\nusual, os.nice = os.nice, refused\n"
         "import atexit; worker.os.nice = refused; os = type(sys)('os'); os.nice = usual", 0),
    ],
)  # fmt: skip
def test_the_process_confines_itself(more: str, nice: int) -> None:
    ran = subprocess.run(
        [sys.executable, "-c", LIMITS.format(more=more)], capture_output=True, text=True, check=True
    )
    as_nice = min(19, os.nice(0) + nice)  # whoever runs the tests may be nice already
    assert ran.stdout.splitlines() == [f"True {as_nice}", "no more memory"]


def test_without_limits_nothing_is_read(
    monkeypatch: pytest.MonkeyPatch, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    def refused() -> None:
        raise OSError

    monkeypatch.setattr(worker, "confine", refused)
    worker.main()
    assert answer_load(capfdbinary.readouterr().out) == Unread(worker.UNLIMITED)

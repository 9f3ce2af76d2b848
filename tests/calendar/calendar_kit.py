"""Calendars written for tests, and the stretch of time that is looked at."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from carerules.calendar import Asked, Expanded, Occurrence

LISBON = "Europe/Lisbon"


def calendar(*events: str, head: str = "") -> bytes:
    """A calendar of the events, each given as its lines without BEGIN and END."""
    rows = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//boat shed//tests//EN", *head.split("\n")]
    for number, event in enumerate(events):
        lines = [line.strip() for line in event.strip().split("\n")]
        own = [] if any(line.startswith("UID:") for line in lines) else [f"UID:{number}@shed"]
        rows += ["BEGIN:VEVENT", *own, "DTSTAMP:20260101T000000Z", *lines, "END:VEVENT"]
    return ("\r\n".join(filter(None, [*rows, "END:VCALENDAR"])) + "\r\n").encode()


def asked(
    first: str, last: str, zone: str = LISBON, all_day_min: int = 0
) -> Asked:  # fmt: skip
    """From the beginning of one day to that of another, in the zone."""
    from_ms, until_ms = (
        round(datetime.fromisoformat(day).replace(tzinfo=ZoneInfo(zone)).timestamp() * 1_000)
        for day in (first, last)
    )
    return Asked(from_ms, until_ms, zone, all_day_min)


def walls(read: object, zone: str) -> list[str]:
    """When the occurrences begin, by the clock of a zone: `2026-12-02 09:00`."""
    assert isinstance(read, Expanded), read
    return [wall(one, zone) for one in read.occurrences]


def wall(one: Occurrence, zone: str) -> str:
    """As above, of one."""
    return f"{datetime.fromtimestamp(one.start_ms / 1_000, ZoneInfo(zone)):%Y-%m-%d %H:%M}"

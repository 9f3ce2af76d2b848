"""Which events are expanded at all: no rule that cannot mean a use, none with no end of work.

Knows the recurrence rule of RFC 5545, section 3.3.10. Does not expand it.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from icalendar import Component

from carerules.calendar.occurrence import TooMuchError, one_line

RULES_MAX = 4
"""RFC 5545, section 3.8.5.3: more than one SHOULD NOT be there."""
FREQUENCIES = ("DAILY", "WEEKLY", "MONTHLY", "YEARLY")
"""A pack is not used anew each hour, minute or second: such a rule means a clock, not a use."""
INTERVAL_MAX = 1_000
PART_MAX = 400
"""Of one part of a rule: the year has 366 days."""
TIMES_MAX = 24
"""Times a day: hours, minutes and seconds named in one rule, multiplied."""
DATES_MAX = 2_000
"""Named one by one, added or left out: every day for five years."""
YEAR_MIN, YEAR_MAX = 1900, 2100
"""What recurs daily since 1900 is expanded in 0.3 s; a pack that is used after 2100 is not ours."""


def check(event: Component) -> None:
    """Raises `TooMuchError`; what else is wrong with the event the library says."""
    if "DTSTART" not in event:
        raise TooMuchError("found no `DTSTART`")
    _check_time(event["DTSTART"], "DTSTART")
    rules = _listed(event.get("RRULE"))
    if len(rules) > RULES_MAX:
        raise TooMuchError(f"found {len(rules)} rules of recurrence, wanted at most {RULES_MAX}")
    for rule in rules:
        _check_rule(rule)
    for key in ("RDATE", "EXDATE"):
        dates = [one for part in _listed(event.get(key)) for one in getattr(part, "dts", [part])]
        if len(dates) > DATES_MAX:
            raise TooMuchError(f"found {len(dates)} dates in `{key}`, wanted at most {DATES_MAX}")


def _check_time(value: Any, key: str) -> None:
    found = value.dt
    if not YEAR_MIN <= found.year <= YEAR_MAX:
        raise TooMuchError(f"found the year {found.year}, wanted {YEAR_MIN} to {YEAR_MAX}")
    named = value.params.get("TZID")
    if named and isinstance(found, datetime) and found.tzinfo is None:
        zone = one_line(str(named), 40).replace("`", "·")
        raise TooMuchError(f"found `{zone}` in `{key}`, wanted a zone that is known, or described")


def _check_rule(rule: Any) -> None:
    frequency = str((rule.get("FREQ") or [""])[0]).upper()
    if frequency not in FREQUENCIES:
        said = f"`FREQ={one_line(frequency, 20)}`" if frequency else "no `FREQ`"
        raise TooMuchError(f"found {said}, wanted {', '.join(FREQUENCIES)}")
    interval = int((rule.get("INTERVAL") or [1])[0])
    if not 1 <= interval <= INTERVAL_MAX:
        raise TooMuchError(f"found `INTERVAL={interval}`, wanted 1 to {INTERVAL_MAX}")
    times = 1
    for key, value in rule.items():
        count = len(_listed(value))
        if count > PART_MAX:
            raise TooMuchError(f"found {count} values of `{key}`, wanted at most {PART_MAX}")
        if key in ("BYHOUR", "BYMINUTE", "BYSECOND"):
            times *= max(1, count)
    if times > TIMES_MAX:
        raise TooMuchError(f"found {times} times a day, wanted at most {TIMES_MAX}")


def _listed(value: Any) -> list[Any]:
    return [] if value is None else list(value) if isinstance(value, list) else [value]

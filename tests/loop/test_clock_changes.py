"""Windows of the day and weekdays through the real step, over the two clock changes of a year.

Europe/Berlin: on 29 March 2026 clocks go from 02:00 to 03:00, on 25 October 2026 from 03:00 back to
02:00 (rule of Directive 2000/84/EC: the last Sundays of March and October, at 01:00 UTC).
A time that is skipped is the first instant after the gap; one that comes twice is the first of the
two.
"""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from kit import make_site, play

from carerules.domain.decision import Fired
from carerules.domain.moment import HOUR

BERLIN = ZoneInfo("Europe/Berlin")
SITE = make_site(zone="Europe/Berlin")

# (what, condition, wall time at the beginning, hours gone through, wall times at which it fires)
TABLE = [
    ("an ordinary day", "during 22:00-06:00", "2026-06-01 12:00", 24,
     ["2026-06-01T22:00:00+02:00"]),
    ("inside at the beginning", "during 22:00-06:00", "2026-06-01 23:00", 1,
     ["2026-06-01T23:00:00+02:00"]),
    ("each day anew", "during 12:00-13:00", "2026-06-01 00:00", 48,
     ["2026-06-01T12:00:00+02:00", "2026-06-02T12:00:00+02:00"]),
    ("its beginning is skipped", "during 02:30-05:00", "2026-03-29 00:00", 12,
     ["2026-03-29T03:00:00+02:00"]),
    ("wholly inside the gap: it is not", "during 02:10-02:50", "2026-03-29 00:00", 12, []),
    ("and is on the next day", "during 02:10-02:50", "2026-03-29 00:00", 30,
     ["2026-03-30T02:10:00+02:00"]),
    ("its beginning comes twice: the first", "during 02:30-05:00", "2026-10-25 00:00", 12,
     ["2026-10-25T02:30:00+02:00"]),
    ("its end comes twice: the first", "not during 00:30-02:30", "2026-10-25 01:00", 12,
     ["2026-10-25T02:30:00+02:00"]),
    ("held for an hour, over the skipped one", "during 01:00-06:00 for 2 h", "2026-03-29 00:00", 12,
     ["2026-03-29T04:00:00+02:00"]),
    ("held for two hours, over the repeated one", "during 01:00-06:00 for 3 h", "2026-10-25 00:00",
     12, ["2026-10-25T03:00:00+01:00"]),
    ("a day that is an hour shorter", "on sun", "2026-03-28 12:00", 24,
     ["2026-03-29T00:00:00+01:00"]),
    ("and ends at its midnight", "not on sun", "2026-03-29 12:00", 24,
     ["2026-03-30T00:00:00+02:00"]),
    ("a day that is an hour longer", "not on sun", "2026-10-25 00:00", 30,
     ["2026-10-26T00:00:00+01:00"]),
    ("two days", "on sat, sun", "2026-06-05 12:00", 96, ["2026-06-06T00:00:00+02:00"]),
    ("a window on a day", "during 22:00-06:00 and on sat", "2026-06-05 12:00", 48,
     ["2026-06-06T00:00:00+02:00", "2026-06-06T22:00:00+02:00"]),
]  # fmt: skip


@pytest.mark.parametrize("ticking", [True, False], ids=["ticking", "one look"])
@pytest.mark.parametrize(
    ("what", "condition", "begin", "hours", "wanted"), TABLE, ids=[row[0] for row in TABLE]
)
def test_clock(
    what: str, condition: str, begin: str, hours: int, wanted: list[str], ticking: bool
) -> None:
    start = round(datetime.fromisoformat(begin).replace(tzinfo=BERLIN).timestamp() * 1_000)
    rule = f'rule r\n    when {condition}: notify "now"\n'
    stage = play(rule, f"0s tick; {hours}h", site=SITE, begin=start, ticking=ticking)
    local = stage.world.local
    assert [local.read(one.since).isoformat() for one in stage.all(Fired)] == wanted
    assert stage.now == start + hours * HOUR

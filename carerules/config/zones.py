"""The zones of the IANA database, and which of them may be meant by what is none.

Knows names. Does not know what time it is in any zone.
"""

from __future__ import annotations

from functools import cache
from zoneinfo import available_timezones

from carerules.config.problem import nearest


@cache
def zones() -> frozenset[str]:
    """Every zone, by its name."""
    return frozenset(available_timezones())


def zone_meant(value: str) -> str:
    """Which zone of the database may be meant by what is none, as a mend: a city without its
    continent is enough. What a clock says, such as `CEST`, is no zone: it would not change in
    autumn, and is like some other zone's name by chance."""
    folded = value.strip().replace(" ", "_").casefold()
    same = sorted(one for one in zones() if one.casefold() == folded)
    same += sorted(one for one in zones() if one.rpartition("/")[2].casefold() == folded)
    if same:
        return f"did you mean `{same[0]}`?"
    close = "" if value.isupper() else nearest(value, zones())
    return close if close.startswith("did") else "write it as `Continent/City`, or `UTC`"

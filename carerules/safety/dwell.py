"""How long a station stays off before it may go on again, and the caps of the ON that it is in.

Knows moments. Does not know why anything is wanted.
"""

from __future__ import annotations

from carerules.domain.frozen import changed, frozen
from carerules.domain.moment import HOUR, MINUTE, Duration, Moment

LOCKOUT: Duration = 5 * MINUTE
"""After an OFF that nobody planned: time for data to settle and for a person to look."""
PAUSE: Duration = MINUTE
"""After any OFF: relays and loads are not made to chatter."""


@frozen
class Dwell:
    """Off until `until`, because of `why`; and what held when the present ON began: its caps, the
    charge (%), and how long the pack had rested (ms).

    `lowest_v`: the lowest cell's voltage as last seen in it, and `lowest_wh` what had flowed when
    it was first seen so. `day`: how long it was on in the runs that ended in an hour, by the number
    of the hour on the line, as far back as a day goes.
    """

    until: Moment = 0
    why: str = ""
    time_max: Duration = 4 * HOUR
    energy_wh_max: float = 0.0
    soc_at_on: float | None = None
    rested_at_on: float | None = None
    lowest_v: float | None = None
    lowest_wh: float = 0.0
    day: tuple[tuple[int, Duration], ...] = ()


def went_on(
    dwell: Dwell, time_max: Duration, energy_wh_max: float, soc: float | None, rested: float | None
) -> Dwell:
    """The caps of a new ON: fixed when it begins, so that no later forecast can stretch them."""
    return Dwell(dwell.until, dwell.why, time_max, energy_wh_max, soc, rested, day=dwell.day)


def saw(dwell: Dwell, lowest_v: float | None, energy_wh: float) -> Dwell:
    """The station after a look at the lowest cell, when so much has flowed in this ON."""
    if lowest_v == dwell.lowest_v:
        return dwell
    return changed(dwell, lowest_v=lowest_v, lowest_wh=energy_wh)


def went_off(dwell: Dwell, now: Moment, why: str, *, planned: bool, ran: Duration = 0) -> Dwell:
    """The station after an OFF, and a run of so long."""
    hour = now // HOUR
    day = dict(one for one in dwell.day if one[0] >= hour - HOURS)
    if ran:
        day[hour] = day.get(hour, 0) + ran
    until = max(dwell.until, now + (PAUSE if planned else LOCKOUT))
    return Dwell(until, why, day=tuple(day.items()))


def on_in_a_day(dwell: Dwell, now: Moment) -> Duration:
    """How long the station was on in the last 24 h, but for the run that it is in.

    Rather too long than too short: a run counts whole until a day after the hour of its end.
    """
    return sum(ran for hour, ran in dwell.day if hour >= now // HOUR - HOURS)


HOURS = 24
"""Of a day; so many entries `day` has, and one."""

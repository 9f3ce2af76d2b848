"""How long a station stays off before it may go on again, what its ON began with, its day's runs.

Knows moments, and figures as they were when an ON began. Does not know limits, or why anything is
wanted.
"""

from __future__ import annotations

from carerules.domain.decision import Intent
from carerules.domain.frozen import changed, frozen
from carerules.domain.moment import DAY, HOUR, MINUTE, Duration, Moment

LOCKOUT: Duration = 5 * MINUTE
"""After an OFF that nobody planned: time for data to settle and for a person to look
(no source)."""
PAUSE: Duration = MINUTE
"""After any OFF: relays and loads are not made to chatter."""


@frozen
class Run:
    """One ON that is over: when it ended, for which pack, how long it was, what it moved (Wh)."""

    ended: Moment
    pack: str
    ran: Duration
    moved_wh: float


@frozen
class Dwell:
    """Off until `until`, because of `why`; and what held when the present ON began: its caps, the
    charge (%) that the pack has come down from since it was read, and how long it had rested (ms).

    `pack` is the one that it began with. `lowest_v`: the lowest cell's voltage as last seen in it,
    and `lowest_wh` what had flowed when it was first seen so. `day`: the runs of the last 24 h; a
    pause of a minute lies between two, so that they are at most 1 440.
    """

    until: Moment = 0
    why: str = ""
    time_max: Duration = 4 * HOUR
    energy_wh_max: float = 0.0
    soc_at_on: float | None = None
    rested_at_on: float | None = None
    lowest_v: float | None = None
    lowest_wh: float = 0.0
    pack: str = ""
    day: tuple[Run, ...] = ()


def went_on(dwell: Dwell, intent: Intent, soc: float | None, rested: float | None) -> Dwell:
    """The caps of a new ON (charge in percent, time at rest in ms): fixed when it begins, so that
    no later forecast can stretch them."""
    caps = intent.time_max, intent.energy_wh_max
    return Dwell(dwell.until, dwell.why, *caps, soc, rested, pack=intent.pack, day=dwell.day)


def saw(dwell: Dwell, lowest_v: float | None, energy_wh: float) -> Dwell:
    """The station after a look at the lowest cell, when so much has flowed in this ON."""
    if lowest_v == dwell.lowest_v:
        return dwell
    return changed(dwell, lowest_v=lowest_v, lowest_wh=energy_wh)


def went_off(dwell: Dwell, now: Moment, why: str, *, planned: bool, run: Run | None) -> Dwell:
    """The station after an OFF, and the run that it ended, if there was one."""
    day = runs(dwell, now) if run is None else (*runs(dwell, now), run)
    return Dwell(max(dwell.until, now + (PAUSE if planned else LOCKOUT)), why, day=day)


def runs(dwell: Dwell, now: Moment) -> tuple[Run, ...]:
    """The runs of the last 24 h, but for the one that it is in. Rather too much than too little:
    each counts whole until a day after its end."""
    return tuple(run for run in dwell.day if run.ended > now - DAY)

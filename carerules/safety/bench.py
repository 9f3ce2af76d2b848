"""What the interlock sees of one pack on one station, and what a check may say of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TypeAlias

from carerules.domain.decision import Intent
from carerules.domain.frozen import frozen
from carerules.domain.moment import NEVER, SECOND, Duration, Moment
from carerules.domain.pack import Pack, Plug, Socket, Station
from carerules.domain.quantity import Known, Reading
from carerules.safety.dwell import Dwell
from carerules.safety.lease import PlugState

DATA_AGE_MAX: Duration = 60 * SECOND
"""SAFETY 2: nothing stays on on data older than this."""


@frozen
class Outlet:
    """One side of the station: what hangs there, its plug, and what is known of that."""

    socket: Socket
    plug: Plug
    state: PlugState


@frozen
class Bench:
    """What the interlock sees of one pack on one station.

    `outlet` is the one that the intent would switch, `other` that of the other side, if any.
    `stopped` says why nothing at all may be on; `barred` why this pack may not be used;
    `locked` why this station may not; `forbidden` is the author's `never` that holds;
    `doubt` what is implausible about the pack. Each is empty when there is nothing to say.
    `floor_charge` is the charge (%) that stands for the floor where no voltage is seen.
    `needs_notice`: unattended, only where a notice has reached people lately, at `notice_at`.
    """

    now: Moment
    pack: Pack
    station: Station
    readings: Mapping[str, Reading]
    room: Mapping[str, Reading]
    outlet: Outlet
    other: Outlet | None
    dwell: Dwell
    attended_until: Moment = 0
    stopped: str = ""
    barred: str = ""
    locked: str = ""
    forbidden: str = ""
    doubt: str = ""
    soc_at_on: float | None = None
    floor_charge: float = 0.0
    needs_notice: bool = False
    notice_at: Moment | None = None


@frozen
class Refusal:
    """Why not: found, wanted, and whether it ends the job or a person can mend it."""

    found: str
    wanted: str
    final: bool = False
    mend: str = ""


@frozen
class Clear:
    """Nothing against it, and until when that holds by itself."""

    until: Moment = NEVER


CLEAR = Clear()
Finding: TypeAlias = Refusal | Clear
Check: TypeAlias = Callable[[Intent, Bench], Finding]


def attended(bench: Bench) -> bool:
    """Whether somebody said that they are with it now."""
    return bench.now < bench.attended_until


def fresh_until(reading: Reading | None, now: Moment, age_max: Duration) -> Moment | None:
    """The first moment at which the reading is too old; None when it is, or there is none."""
    if not isinstance(reading, Known) or now - reading.at > age_max:
        return None
    return reading.at + age_max + 1

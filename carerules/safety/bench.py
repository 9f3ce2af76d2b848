"""What the interlock sees of one pack on one station, and what a check may say of it.

Knows a pack's bounds and a station's plugs at one instant. Does not know any check, or any rule.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import TypeAlias

from carerules.domain.decision import Intent
from carerules.domain.frozen import frozen
from carerules.domain.moment import Moment
from carerules.domain.pack import Pack, Plug, Socket, Station
from carerules.domain.quantity import Reading
from carerules.safety.dwell import Dwell
from carerules.safety.lease import PlugState


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
    `floor_charge` is the charge (%) that stands for the floor where no voltage is seen, and `drawn`
    what may have left the pack since its voltage was told (points). `charge_most`: the most that
    can be in it, full less what has left it since it was charged (%).
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
    floor_charge: float = 0.0
    drawn: float = 0.0
    charge_most: float = 100.0
    needs_notice: bool = False
    notice_at: Moment | None = None


@frozen
class Refusal:
    """Why not: found, wanted, and whether it ends the job or a person can mend it.

    `unattended`: it stands only while nobody is present.
    """

    found: str
    wanted: str
    final: bool = False
    mend: str = ""
    unattended: bool = False


Check: TypeAlias = Callable[[Intent, Bench], Iterator[Refusal | Moment]]
"""All that one interlock finds: what refuses, or until when it need not be asked again. Nothing
found is nothing against it."""

"""Whether the pack that is watched is the pack that is drained or charged.

Knows one plug's power and one pack's readings. Does not know limits. A pack hung elsewhere than
was said, a lead that has come off and telemetry that stands still all look like a pack in good
health, while another one, or the same one unseen, runs empty (HAZARDS 33, 40-42).
"""

from __future__ import annotations

from collections.abc import Mapping

from carerules.domain.moment import SECOND, Duration
from carerules.domain.pack import Pack, Socket
from carerules.domain.quantity import Known, Reading
from carerules.safety.dwell import Dwell
from carerules.safety.lease import PlugState

RESPONDS_WITHIN: Duration = 20 * SECOND
"""Two samples of a pack in use: by then its own current has followed the plug."""
RESPONDS_SHARE = 0.25
"""Of what the plug measures: half is lost at worst in a poor charger (from memory), and again half
for meters that disagree."""
AT_WORK_SHARE = 0.2
"""Below so much of its usual power a load has let go, or a charger is at the end of its taper."""
STANDS_STILL_SHARE = 0.05
"""Of the pack's energy: no rest curve is so flat, and no cell meter so coarse, that this much
leaves the lowest cell where it was, to the last digit."""


def unanswered(
    pack: Pack,
    socket: Socket,
    state: PlugState,
    readings: Mapping[str, Reading],
    dwell: Dwell,
) -> str:
    """What speaks against this pack being the one that the plug works on; empty: nothing.

    A pack that does not tell its own current is not judged by it, nor one that is not seen by its
    voltage.
    """
    if state.on_at is None or state.power_w is None:
        return ""
    if state.power_w < AT_WORK_SHARE * socket.power_w:
        return ""
    volts, amps = readings.get("pack.voltage"), readings.get("pack.current")
    if not isinstance(volts, Known):
        return ""
    if isinstance(amps, Known) and amps.at >= state.on_at + RESPONDS_WITHIN <= state.power_heard:
        own_w = abs(amps.value) * volts.value
        if own_w < RESPONDS_SHARE * state.power_w:
            return f"{state.power_w:.0f} W flow, and {pack.name} tells of {own_w:.0f} W"
    lowest = readings.get("pack.cell.min")
    if not isinstance(lowest, Known) or dwell.lowest_v != lowest.value:
        return ""
    moved_wh = state.energy_wh - dwell.lowest_wh
    if moved_wh > STANDS_STILL_SHARE * pack.capacity_ah * volts.value:
        return f"{moved_wh:.0f} Wh have moved, and {pack.name}'s voltage stands still"
    return ""

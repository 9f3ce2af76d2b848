"""All loads off, by ourselves: no journal, no rule, no running service is needed.

Knows the site file and the plugs' leases. Does not know why.
"""

from __future__ import annotations

from collections.abc import Callable

from carerules.adapters import Hold, LineClock
from carerules.config import SiteFile
from carerules.domain.decision import OffProven
from carerules.domain.event import PlugLink, PlugReport
from carerules.domain.frozen import guarded
from carerules.domain.moment import SECOND, Duration
from carerules.domain.pack import Plug
from carerules.safety import PlugState, hear, link, unknown_plug, want_off
from carerules.service.outside import RealOutside

LOOK_EVERY: Duration = SECOND // 4


@guarded
class OffReport:
    """Which plugs were read back off, and which were not, with the last word of each. `lost`: why
    nothing could be said over the broker; None: that is unknown, or there is none."""

    proven: tuple[str, ...]
    unproven: tuple[PlugState, ...]
    lost: str | None = None


def bring_all_off(
    site: SiteFile, within: Duration, because: str, *, beside: bool = False,
    hold: Callable[[], Hold] = lambda: Hold.OURS, owner: int | None = None,
) -> OffReport:  # fmt: skip
    """Say OFF to every plug of the site over its own wires, again and again, until read back.

    Where a way to some of them is refused, the others are still told; those that were left out of
    the site file count as not read back. `beside`: a person's stop,
    which a service that runs is to know as such. `hold` and `owner`: as of `RealOutside`.
    """
    outside = RealOutside(site, LineClock(), strict=False, stops=beside, hold=hold, owner=owner)
    outside.start()
    try:
        now = outside.now()
        states = {name: unknown_plug(plug, now) for name, plug in site.site.plugs.items()}
        give_up = now + within
        reached = [name for name in states if outside.lost is None or name in site.called]
        while now < give_up and not all(states[name].proven_off for name in reached):
            for name, one in site.site.plugs.items():
                states[name], words = want_off(states[name], one, because, now)
                for word in words:
                    if not isinstance(word, OffProven):
                        outside.perform(word)
            for event in outside.wait(now + LOOK_EVERY):
                match event:
                    case PlugReport(plug=plug):
                        states[plug] = hear(states[plug], event)
                    case PlugLink(_, plug, up):
                        states[plug] = link(states[plug], up=up)
                    case _:
                        pass
            now = outside.now()
    finally:
        outside.close()
    # Whatever they are on: nobody has asked them.
    states |= {name: unknown_plug(Plug(name, ""), now) for name in sorted(site.left_out)}
    return OffReport(
        tuple(name for name, state in states.items() if state.proven_off),
        tuple(state for state in states.values() if not state.proven_off),
        outside.lost,
    )

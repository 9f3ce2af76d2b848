"""Whether an event may be given to a world: of the site's own things, and in its time.

Knows what each kind of event names. Does not know what an event does.
"""

from __future__ import annotations

from carerules.domain.event import (
    Event,
    Happened,
    Placed,
    PlanKept,
    PlugLink,
    PlugReport,
    Proved,
    Sample,
    SiteSample,
    Wanted,
)
from carerules.loop.world import Setup, World


def is_loaded(world: World, name: str) -> bool:
    """Whether the load of the pack's station is on, or was when its plug last spoke."""
    return world.packs[name].estimate.track.out_w > 0.0


def stranger(setup: Setup, event: Event) -> str:
    """What the event names that the site does not have; nothing: all is known.

    An old journal and an entry made before the site file changed can name such things; the step
    must not be given them.
    """
    site = setup.site
    match event:
        case Sample(pack=pack) | Happened(pack=pack) | Wanted(pack=pack) if pack not in site.packs:
            return f"pack {pack}"
        case Placed(_, pack, station):
            if pack not in site.packs:
                return f"pack {pack}"
            return "" if station is None or station in site.stations else f"station {station}"
        case PlanKept(_, plan):
            packs = sorted(plan.packs() - site.packs.keys())
            stations = sorted(plan.stations() - site.stations.keys())
            return f"pack {packs[0]}" if packs else f"station {stations[0]}" if stations else ""
        case PlugReport(plug=plug) | PlugLink(plug=plug) | Proved(plug=plug) if (
            plug not in site.plugs
        ):
            return f"plug {plug}"
        case SiteSample(values=values):
            unknown = [value.signal for value in values if value.signal not in setup.signals]
            return f"signal {unknown[0]}" if unknown else ""
        case _:
            return ""


def untimely(world: World, event: Event) -> str:
    """Why what a person asks for cannot be begun now, or what they say cannot be; nothing: it can.
    Only the beginning of a job waits for nobody: who asks learns at once that it was not taken
    up."""
    match event:
        case Happened(pack=pack, what="charge" | "full") if is_loaded(world, pack):
            return (f"{pack} was not charged while its load is on; if it hangs there no more, "
                    f"`carerules place {pack} --off` comes first")  # fmt: skip
        case Wanted():
            pass
        case _:
            return ""
    if world.stopped:
        return f"everything is stopped ({world.stopped}): `carerules release site` comes first"
    if world.starting_since is not None or world.ended:
        return "everything is being brought off first: ask again in a moment"
    return ""

"""A drain that nobody sees, as a plan has it: in stages, each but the first begun by a reading.

Knows how deep the engine lets such a drain go before somebody reads the pack, and nothing else of
how one is carried on (`engine/stages`). Does not know the grid.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from carerules.battery import FROM_PACK
from carerules.domain.action import Drain
from carerules.domain.event import A_PERSON
from carerules.domain.pack import Station
from carerules.domain.quantity import Known
from carerules.engine import Unseen, stage_below
from carerules.loop import World
from carerules.loop.unseen import unseen
from carerules.planner.wants import Want


def stages_of(world: World, name: str, want: Want, level: float, *, own: bool) -> tuple[Want, ...]:
    """The want from a charge (%) on, part by part. `own`: that is the pack's charge now, and what
    it was drained by unread counts as well.

    In one part where some station sees the pack: which one is taken is for the plan to say, and
    `limits_of` tells what that leaves out.
    """
    line, stations = want.line, _load_stations(world)
    bounds = [_bounds(world, name, station) for station in stations]
    known = [one for one in bounds if one is not None]
    if not isinstance(line, Drain) or not known or len(known) < len(bounds):
        return (want,)
    bound = known[0] if own else replace(known[0], drawn=0.0)
    ends = list(_ends(level, line.target, bound))
    if ends in ([], [(line.target, False)]):
        return (want,)
    return tuple(
        replace(
            want, line=replace(line, target=end), whole=line.target, read=read,
            gap=0 if number else want.gap, job=None if read else want.job,
        )
        for number, (end, read) in enumerate(ends)
    )  # fmt: skip


def read_between(name: str, want: Want) -> str:
    """What people have to know of a drain in stages, wherever the plan is shown."""
    return (
        f"{name} drain to {want.target:g} %: nobody sees its voltage, so it stops on the way until "
        "somebody has read it and entered it"
    )


def limits_of(world: World, name: str, want: Want, level: float) -> str:
    """What a plan does not count with in a drain from a charge (%) on that only some stations see;
    empty: nothing."""
    line = want.line
    if not isinstance(line, Drain):
        return ""
    blind = {
        station.name: bounds
        for station in _load_stations(world)
        if (bounds := _bounds(world, name, station)) is not None
    }
    if not blind or len(blind) == len(_load_stations(world)):
        return ""
    points = min(one.points for one in blind.values())
    if level - line.target <= points:
        return ""
    return (
        f"{name} drain to {line.target:g} %: on {' or '.join(blind)} it waits to be read each "
        f"{points:.0f} points, and no time is counted for that"
    )


def is_too_deep(world: World, name: str, station: Station, target: float) -> bool:
    """Whether a drain to that charge (%) is refused there, where nobody sees the voltage."""
    bounds = _bounds(world, name, station)
    return bounds is not None and target < bounds.floor()


def _ends(level: float, target: float, bound: Unseen) -> Iterator[tuple[float, bool]]:
    """Where each stage ends (%), and whether somebody reads the pack before."""
    first = stage_below(level, target, bound)
    if first < level:
        yield first, False
        level = first
    fresh = replace(bound, drawn=0.0)
    while level > target:
        level = stage_below(level, target, fresh)
        yield level, True


def _load_stations(world: World) -> Sequence[Station]:
    """Where packs are drained."""
    sites = world.setup.site.stations.values()
    return [one for one in sites if one.load is not None and not world.stations[one.name].locked]


def _bounds(world: World, name: str, station: Station) -> Unseen | None:
    """The bounds of a drain there; None: the pack tells its voltage, or did where it last hung, and
    will again."""
    if not station.blind:
        return None
    readings = world.packs[name].estimate.readings
    for signal in ("pack.voltage", "pack.cell.min"):
        reading = readings.get(signal)
        if isinstance(reading, Known) and reading.source not in (A_PERSON, FROM_PACK):
            return None
    return unseen(world, name, station)

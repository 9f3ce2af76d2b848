"""How values hang together: bounds on the difference of two, so that no witness contradicts itself.

Knows axes and which of them are bound to one another. Does not know rules, nor what follows from
the bounds together (`net`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import combinations
from math import inf

from carerules.domain.condition import CountIn, CountSince, OverWindow, SignalValue, TimeSince
from carerules.domain.moment import NEVER
from carerules.domain.pack import Pack
from carerules.domain.quantity import VOLTAGE
from carerules.lang.prove.axes import Axes
from carerules.lang.prove.box import At
from carerules.lang.prove.net import LESS, NOT_MORE, Link
from carerules.lang.prove.ranges import Range, Ranges, hull, less, meet, span, whole_numbers

_CELL_MIN = SignalValue("pack.cell.min", VOLTAGE)
_CELL_MAX = SignalValue("pack.cell.max", VOLTAGE)
_CELL_NAMES = ("pack.cell.min", "pack.cell.max", "pack.cell.spread")
RESTS_SINCE = ("use", "full")
"""Events from which a rest begins anew at the latest."""


_BOUND_NAMES = frozenset({
    *_CELL_NAMES, "pack.voltage", "pack.rested", "pack.capacity", "pack.health", "pack.current",
    "pack.power",
})  # fmt: skip


def linked(at: At, axes: Axes) -> bool:
    """Whether any two of the box's values may be bound to one another."""
    found = 0
    for axis in at:
        row = axes.rows[axis]
        if row.parts is not None:
            return True
        match row.value:
            case SignalValue(name, _):
                found += name in _BOUND_NAMES or name in axes.windowed
            case OverWindow() | TimeSince() | CountIn() | CountSince():
                found += 1
            case _:
                pass
    return found > 1


def cases(at: At, axes: Axes) -> list[At]:
    """The box in as many cases as its counts and times leave open; none: they contradict."""
    found: list[At] = [at]
    values = [(axis, axes.rows[axis].value) for axis in at]
    times = {value.event: axis for axis, value in values if isinstance(value, TimeSince)}
    for axis, value in values:
        match value:
            case CountIn(event, time) if event in times:
                # Counted in the last so long: not longer ago than that.
                inside = span(0, time)
                found = _split(found, axis, times[event], inside, axes)
            case CountSince(event, _) if event in times:
                # What never happened was not counted.
                ever = span(0, NEVER - 1)
                found = _never_counted(found, axis, times[event], ever)
            case _:
                pass
        if isinstance(value, CountSince) and value.since in times:
            # What was counted since the mark came after it.
            found = _never_counted(found, axis, times[value.since], span(1, NEVER))
    return found


def _split(found: list[At], count: int, time: int, inside: Ranges, axes: Axes) -> list[At]:
    after: list[At] = []
    outside = whole_numbers(less(axes.rows[time].natural, inside))
    for at in found:
        none, some = meet(at[count], span(0, 0)), whole_numbers(less(at[count], span(0, 0)))
        for number, where in ((none, outside), (some, inside)):
            both = meet(at[time], where)
            if number and both:
                after.append({**at, count: number, time: both})
    return after


def _never_counted(found: list[At], count: int, time: int, ever: Ranges) -> list[At]:
    after: list[At] = []
    for at in found:
        none, some = meet(at[count], span(0, 0)), whole_numbers(less(at[count], span(0, 0)))
        if none:
            after.append({**at, count: none})
        if some and (happened := meet(at[time], ever)):
            after.append({**at, count: some, time: happened})
    return after


def spread_out(at: At, axes: Axes) -> At:
    """The box with the axes that bind two of its own: the ends of a difference, the other cell."""
    more = dict(at)
    for axis in at:
        row = axes.rows[axis]
        for part in row.parts or ():
            more.setdefault(part, axes.rows[part].natural)
    names = {_name(axes, axis) for axis in at}
    if "pack.cell.spread" in names and names & {"pack.cell.min", "pack.cell.max"}:
        for value in (_CELL_MIN, _CELL_MAX):
            end = axes.of(value)
            more.setdefault(end, axes.rows[end].natural)
    return more


def links(at: At, axes: Axes) -> Iterator[Link]:
    """What binds the box's values to one another."""
    by_name = {_name(axes, axis): axis for axis in at}
    low, high = by_name.get("pack.cell.min"), by_name.get("pack.cell.max")
    apart = by_name.get("pack.cell.spread")
    if low is not None and high is not None:
        yield Link(low, high, NOT_MORE)
        if apart is not None:
            yield from _difference(high, low, hull(at[apart]))
    rested = by_name.get("pack.rested")
    for axis in at:
        row = axes.rows[axis]
        if row.parts is not None:
            yield from _difference(*row.parts, hull(at[axis]))
        anew = isinstance(row.value, TimeSince) and row.value.event in RESTS_SINCE
        if rested is not None and anew:
            yield Link(rested, axis, NOT_MORE)
    for x, y in combinations(at, 2):
        yield from _between(x, y, at, axes)
        yield from _between(y, x, at, axes)


def _between(x: int, y: int, at: At, axes: Axes) -> Iterator[Link]:
    match axes.rows[x].value, axes.rows[y].value:
        case SignalValue(name, _), OverWindow("max", SignalValue(other), _) if name == other:
            yield Link(x, y, NOT_MORE)
        case OverWindow("min", SignalValue(other), _), SignalValue(name, _) if name == other:
            yield Link(x, y, NOT_MORE)
        case OverWindow(a, one, time), OverWindow(b, other, its) if one == other:
            same = time == its and (a, b) in _ORDERED
            longer = (a == b == "max" and time < its) or (a == b == "min" and time > its)
            if same or longer or (a, b) == ("min", "max"):
                yield Link(x, y, NOT_MORE)
        case CountIn(event, time), CountIn(other, its) if event == other and time < its:
            yield Link(x, y, NOT_MORE)
        case TimeSince(event), TimeSince(mark):
            # The more there was since a mark, the longer ago the mark is than the last of them.
            for axis, ranges in at.items():
                counted = axes.rows[axis].value
                if isinstance(counted, CountSince) and (counted.event, counted.since) == (
                    event, mark,
                ):  # fmt: skip
                    if ranges[0][0] > (0.0, 0):
                        yield Link(x, y, LESS)
                    elif ranges[-1][1] <= (0.0, 1):
                        yield Link(y, x, NOT_MORE)
        case _:
            pass


_ORDERED = (("min", "mean"), ("mean", "max"))


def _difference(x: int, y: int, bounds: Range) -> Iterator[Link]:
    (low, after), (high, upto) = bounds
    if high != inf:
        yield Link(x, y, (high, upto))
    if low != -inf:
        yield Link(y, x, (-low, 1 - after))


def _name(axes: Axes, axis: int) -> str:
    value = axes.rows[axis].value
    return value.name if isinstance(value, SignalValue) else ""


# ---- what a pack's label binds -----------------------------------------------------------------


def by_label(at: At, axes: Axes, pack: Pack) -> tuple[At, list[Link], Mapping[int, float]]:
    """The box for one pack: capacity drawn on health, and voltage shared out among its cells.

    The last are the factors by which axes were shared: their values are to be multiplied by them.
    """
    by_name = {_name(axes, axis): axis for axis in at}
    after = dict(at)
    factors: dict[int, float] = {}
    health, capacity = by_name.get("pack.health"), by_name.get("pack.capacity")
    bound: list[Link] = []
    if health is not None and capacity is not None:
        factors[capacity] = pack.capacity_ah / 100
        after[capacity] = _scaled(at[capacity], 1 / factors[capacity])
        bound += [Link(health, capacity, NOT_MORE), Link(capacity, health, NOT_MORE)]
    volts = by_name.get("pack.voltage")
    ends = [axis for name in _CELL_NAMES[:2] if (axis := by_name.get(name)) is not None]
    if volts is not None and ends:
        factors[volts] = float(pack.cells)
        after[volts] = _scaled(at[volts], 1 / pack.cells)
        for axis in ends:
            lowest = _name(axes, axis) == "pack.cell.min"
            x, y = (axis, volts) if lowest else (volts, axis)
            bound.append(Link(x, y, NOT_MORE))
    return after, bound, factors


def needs_label(at: At, axes: Axes) -> bool:
    """Whether only a pack's label can say how two of the values hang together."""
    names = {_name(axes, axis) for axis in at}
    return {"pack.health", "pack.capacity"} <= names or (
        "pack.voltage" in names and bool(names & set(_CELL_NAMES[:2]))
    )


def _scaled(ranges: Ranges, factor: float) -> Ranges:
    return tuple(
        ((low * factor, after), (high * factor, upto)) for (low, after), (high, upto) in ranges
    )

"""The problem of a night: packs, what is wanted of them and by when, stations, hours, and prices.

Knows steps of time, numbers and names. Does not know where they come from, nor how it is solved.
Time is cut into steps of equal length, numbered from 0; a stretch goes from its first step up to,
and not with, its end. Every price is a whole number of `UNIT`, so that two ways of adding it up
give the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import field
from typing import TypeAlias

from carerules.domain.frozen import guarded
from carerules.domain.keptplan import MadeBy
from carerules.domain.moment import DAY, MINUTE, Duration, Moment
from carerules.domain.pack import Side

STEP: Duration = 15 * MINUTE
"""A step of the grid: nobody knows the length of a drain better."""
STEPS_MAX = 7 * DAY // STEP
"""Further ahead than a week no forecast of a charge holds."""

UNIT = 1e-7
"""One unit of price, in percent of one pack's capacity."""


@guarded
class Weights:
    """What is worth how much: percent of one pack's capacity for each. docs/planner.md gives the
    reasons."""

    move: float = 0.01
    money: float = 0.1
    left_out: float = 1.0
    left_out_of_use: float = 10.0

    @property
    def move_units(self) -> int:
        """A pack hung on a station by a person, in units."""
        return units(self.move)


def units(percent: float) -> int:
    """A price in percent of a pack's capacity, in whole units."""
    return round(percent / UNIT)


Stretch: TypeAlias = tuple[int, int]
"""Steps from the first up to, and not with, the second."""


@guarded
class Way:
    """One station at which a wish can be met: for how many steps, and what it takes at the wall.

    `begins` are the steps at which it may begin: within the wish's time, its rule's hours, and the
    hours in which somebody is there where its plug asks for that.
    """

    station: str
    steps: int
    wall_w: int
    begins: tuple[Stretch, ...]

    def __post_init__(self) -> None:
        assert self.steps >= 1
        assert self.wall_w >= 0
        assert all(0 <= first < end for first, end in self.begins)


@guarded
class Wish:
    """A charge that a pack is to have: to be begun from `ready` on, and reached by `due`.

    `gap`: steps of rest since the pack's wish before. `saves`: what a step costs at the charge
    before, less what it costs at the charge after; below 0 for a charge. `weight`: the price of
    leaving it out. `follows`: it makes no sense where the wish before is left out. `read`: somebody
    reads the pack's voltage as it begins. `whole`: the charge (%) of the drain that it is a stage
    of; None: it is all of it.
    """

    side: Side
    percent: float
    ready: int
    due: int
    saves: int
    weight: int
    ways: tuple[Way, ...]
    why: str
    use: str = ""
    gap: int = 0
    follows: bool = False
    read: bool = False
    whole: float | None = None

    def counts_from(self, begin: int, end: int) -> int:
        """The step from which the charge after it counts: the higher of the two holds while it
        runs."""
        return end if self.side is Side.LOAD else begin


@guarded
class PackTask:
    """A pack, where it hangs, what a step at its charge now costs, and its wishes in order."""

    name: str
    station: str | None
    lies: int
    wishes: tuple[Wish, ...]


@guarded
class Problem:
    """All of it. `awake` says of each step whether somebody can move packs at its beginning;
    `price` what a watt costs through each step (units); `circuit_w` what all chargers together may
    draw at the wall (W; None: no limit)."""

    begin: Moment
    steps: int
    awake: tuple[bool, ...]
    price: tuple[int, ...]
    stations: tuple[str, ...]
    packs: tuple[PackTask, ...]
    circuit_w: int | None = None
    weights: Weights = field(default_factory=Weights)

    def __post_init__(self) -> None:
        assert 1 <= self.steps <= STEPS_MAX
        assert len(self.awake) == len(self.price) == self.steps
        held = [pack.station for pack in self.packs if pack.station is not None]
        assert len(held) == len(set(held)), "two packs at one station"
        assert all(one in self.stations for one in held)
        for _, wish in self.wishes():
            assert all(way.station in self.stations for way in wish.ways)
            assert all(end + way.steps - 1 <= wish.due <= self.steps
                       for way in wish.ways for _, end in way.begins)  # fmt: skip
            assert all(first >= wish.ready for way in wish.ways for first, _ in way.begins)
            assert not wish.read or all(
                all(self.awake[first:end]) for way in wish.ways for first, end in way.begins
            )

    def wishes(self) -> Iterator[tuple[tuple[str, int], Wish]]:
        """Each wish with its pack and its number there."""
        for pack in self.packs:
            for number, wish in enumerate(pack.wishes):
                yield (pack.name, number), wish

    def pack(self, name: str) -> PackTask:
        """The pack of that name."""
        return next(pack for pack in self.packs if pack.name == name)

    def wish(self, pack: str, number: int) -> Wish:
        """The pack's wish of that number."""
        return self.pack(pack).wishes[number]

    def moment(self, step: int) -> Moment:
        """When the step begins."""
        return self.begin + step * STEP


@guarded
class Run:
    """A pack at a station's load or charger, for the pack's wish of that number."""

    pack: str
    wish: int
    station: str
    begin: int
    end: int


@guarded
class Move:
    """A person hangs the pack on the station at the beginning of the step; `off`: the pack that
    comes off it then, if one hangs there."""

    at: int
    pack: str
    station: str
    off: str | None = None


@guarded
class Cost:
    """What a schedule costs, in units: ageing by lying from the first step to the last, moves,
    energy at the wall, and wishes left out."""

    ageing: int
    moves: int
    energy: int
    left_out: int

    @property
    def total(self) -> int:
        """All of it, in units."""
        return self.ageing + self.moves + self.energy + self.left_out


@guarded
class Schedule:
    """Which pack on which station when, who moves what, and the wishes left out (pack, number).

    `bound`: no schedule can cost less (units); None: nothing is proved. `made_by` says how.
    """

    runs: tuple[Run, ...]
    moves: tuple[Move, ...]
    left_out: tuple[tuple[str, int], ...]
    cost: Cost
    made_by: MadeBy
    bound: int | None = None

    @property
    def gap(self) -> float | None:
        """How much cheaper another could be at most, as a share of this one's cost (0..1)."""
        if self.bound is None:
            return None
        total = self.cost.total
        return max(0.0, (total - self.bound) / total) if total > 0 else 0.0

"""What each signal was, as columns: one row a change, all packs of a site one after the other.

Knows moments and numbers. Does not know rules, nor where the rows come from. Within one instant
the rows keep the order in which they were heard: each is a look of its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from carerules.domain.frozen import guarded
from carerules.domain.moment import Duration, LocalTime, Moment

Ints: TypeAlias = npt.NDArray[np.int64]
Floats: TypeAlias = npt.NDArray[np.float64]
Bools: TypeAlias = npt.NDArray[np.bool_]

POSITIONS_MAX = 1 << 62
"""A place on the axis is a 64-bit number: a thousand packs over a century of milliseconds, or
sixteen of them with a thousand facts in one instant."""


@guarded
class Column:
    """One signal of each pack in turn, in order of time; NaN: unknown.

    The rows of pack `p` are `first[p]` to `first[p + 1]`. A row holds from `moment` on, and is
    `order`-th to be heard in that instant (None: the only one). `since` is when the value was
    true (None: at `moment`), from which its age counts, and from which it moves by `slope` a
    millisecond (None: it stands still).
    """

    first: Ints
    moment: Ints
    value: Floats
    order: Ints | None = None
    since: Ints | None = None
    slope: Floats | None = None


@guarded
class Told:
    """From this instant on a pack's facts are: how often what happened, or its planned uses."""

    moment: Moment
    order: int
    happened: Mapping[str, tuple[Moment, ...]]
    uses: tuple[Moment, ...]


@dataclass(frozen=True)
class Tape:
    """What was, of `packs`, from the first look at `begins` to the last at `ends`, both included.

    `columns` has each signal of every pack, of its station and of the site, as that pack's rules
    saw it: the first thing that a pack heard in an instant has order 0. `told` has each
    pack's happenings and uses whenever they changed, in the same orders; `local` how a moment reads
    on the wall, from each change on.
    """

    packs: tuple[str, ...]
    begins: Moment
    ends: Moment
    columns: Mapping[str, Column]
    local: tuple[tuple[Moment, LocalTime], ...]
    told: Mapping[str, tuple[Told, ...]] = field(default_factory=dict)

    @cached_property
    def axis(self) -> Axis:
        """The line on which every pack's whole time lies, one after the other."""
        orders = [one.order for one in self.columns.values() if one.order is not None]
        most = [int(one.max()) for one in orders if len(one)]
        most += [one.order for told in self.told.values() for one in told]
        return Axis(self.begins, self.ends, max(most, default=0).bit_length(), len(self.packs))


@guarded
class Axis:
    """All packs' times on one line of whole numbers, so that one pass serves them all.

    A place is a pack, a moment, and an order within it; pack `p` has the stretch from `p * span`
    up to the next one's.
    """

    begins: Moment
    ends: Moment
    bits: int
    packs: int

    def __post_init__(self) -> None:
        if self.span * max(1, self.packs) > POSITIONS_MAX:
            raise ValueError("found more packs and years than one pass takes, wanted fewer packs")

    @property
    def span(self) -> int:
        """The length of one pack's stretch: how many places."""
        return (self.ends + 1 - self.begins) << self.bits

    @property
    def alone(self) -> Axis:
        """The axis of one pack, for what is so for every one."""
        return Axis(self.begins, self.ends, self.bits, 1)

    def origins(self) -> Ints:
        """The place where each pack's stretch begins."""
        return np.arange(self.packs, dtype=np.int64) * self.span

    def place(self, pack: Ints, moment: Ints, order: Ints | int = 0) -> Ints:
        """Places on the line, one for each pack and its moment."""
        return _ints(pack * self.span + ((moment - self.begins) << self.bits) + order)

    def pack(self, place: Ints) -> Ints:
        """Whose stretch each place lies in."""
        return _ints(place // self.span)

    def moment(self, place: Ints) -> Ints:
        """The moment of each place."""
        return _ints((place % self.span >> self.bits) + self.begins)

    def later(self, place: Ints, time: Duration) -> Ints:
        """The first place `time` after the moment of each, or the end of its pack's stretch."""
        return self.later_end(place, place, time)

    def later_end(self, start: Ints, end: Ints, time: Duration) -> Ints:
        """As `later`, for each of ends in the packs of `start`: a stretch ends where the next
        begins."""
        base = start - start % self.span
        into = (((end - base) >> self.bits) + time) << self.bits
        return _ints(base + np.minimum(into, self.span))


def in_order(*several: Ints) -> Ints:
    """All numbers of several, each once, in order: numpy's own way goes by hashes, and is slower
    by far where most of them are in order already."""
    together = np.concatenate(several)
    together.sort(kind="stable")
    news = np.ones(len(together), np.bool_)
    news[1:] = together[1:] != together[:-1]
    return together[news]


def _ints(places: object) -> Ints:
    return np.asarray(places, np.int64)

"""The axes that conditions are drawn on: one for each value, and a few of the prover's own.

Knows which values there are, between what bounds they lie, and how each may move by itself. Does
not know conditions. An axis is a small number, because boxes are looked up by it many thousand
times.
"""

from __future__ import annotations

from collections.abc import Hashable
from enum import Enum
from math import inf

from carerules.domain.condition import (
    Condition,
    CountIn,
    CountSince,
    NumberOfPacks,
    OverWindow,
    SignalValue,
    TimeSince,
    TimeUntilUse,
    ValueOf,
    dimension_of,
)
from carerules.domain.frozen import guarded
from carerules.domain.moment import NEVER, WEEK
from carerules.domain.quantity import CHARGE_LEVEL, COUNT, DURATION, SWITCH, Dimension
from carerules.domain.signal import Catalogue
from carerules.domain.wording import value_wording
from carerules.lang.prove.ranges import ANYWHERE, Ranges, span


class Motion(Enum):
    """How a value moves when nobody does anything about it."""

    FREE = "anything may change it at any time"
    RISING = "rises with time, and falls to 0 at its event"
    AGEING = "rises with time, and never falls"
    CLOCK = "goes round once a week"
    FIXED = "stays for weeks, or changes only when somebody measures it"
    STATIC = "stands on the pack's label"
    FLAG = "whether something has happened"


@guarded
class Axis:
    """One axis. `parts` are the two values whose difference it is, if it is one."""

    said: str
    natural: Ranges
    motion: Motion
    whole: bool
    dimension: Dimension
    value: ValueOf | None = None
    parts: tuple[int, int] | None = None


PACK, CLOCK, SOC, UNTIL = 0, 1, 2, 3
"""The axes that are always there: which pack of the site, when in the week, charge, time to use."""

WEEK_TIME = span(0, WEEK, open_high=True)
SOC_VALUE = SignalValue("pack.soc", CHARGE_LEVEL)

# Kept signals that nothing in the course of a day changes; charge and rest are kept too, and do.
_MOVING_KEPT = ("pack.soc", "pack.rested", "pack.age")


class Axes:
    """Hands out axes, each value one. `windowed`: signals that some window looks over;
    `spoken`: the names on labels that rules speak of, by axis and number."""

    def __init__(self, signals: Catalogue, packs: int | None) -> None:
        self.signals = signals
        self.packs = packs
        self.rows: list[Axis] = []
        self.windowed: set[str] = set()
        self.spoken: dict[tuple[int, int], str] = {}
        self._known: dict[Hashable, int] = {}
        some = span(0, (packs or 1) - 1)
        self._add("pack", Axis("pack", some, Motion.STATIC, True, COUNT))
        self._add("clock", Axis("clock", WEEK_TIME, Motion.CLOCK, False, DURATION))
        assert self.of(SOC_VALUE) == SOC
        assert self.of(TimeUntilUse()) == UNTIL

    def of(self, value: ValueOf) -> int:
        """The axis of a value."""
        known = self._known.get(value)
        return self._add(value, self._row(value)) if known is None else known

    def flag(self, condition: Condition, said: str) -> int:
        """The axis of something that has happened (1) or not (0)."""
        known = self._known.get(condition)
        if known is not None:
            return known
        return self._add(condition, Axis(said, span(0, 1), Motion.FLAG, True, SWITCH))

    def label(self, said: str, natural: Ranges, *, whole: bool = True) -> int:
        """The axis of something on a pack's label, where the site's packs are unknown."""
        known = self._known.get(("label", said))
        if known is not None:
            return known
        return self._add(("label", said), Axis(said, natural, Motion.STATIC, whole, COUNT))

    def difference(self, left: ValueOf, right: ValueOf) -> int:
        """The axis of `left` less `right`."""
        known = self._known.get((left, right))
        if known is not None:
            return known
        parts = self.of(left), self.of(right)
        motions = {self.rows[part].motion for part in parts}
        motion = Motion.FIXED if motions == {Motion.FIXED} else Motion.FREE
        whole = all(self.rows[part].whole for part in parts)
        said = f"{value_wording(left)} less {value_wording(right)}"
        row = Axis(said, ANYWHERE, motion, whole, dimension_of(left), parts=parts)
        return self._add((left, right), row)

    def _add(self, key: Hashable, row: Axis) -> int:
        self._known[key] = len(self.rows)
        self.rows.append(row)
        return len(self.rows) - 1

    def _row(self, value: ValueOf) -> Axis:
        natural, whole, motion = span(0, inf, open_high=True), True, Motion.FREE
        match value:
            case SignalValue(name, dimension):
                row = self.signals.get(name)
                natural = ANYWHERE if row is None else span(row.low, row.high)
                whole = dimension in (SWITCH, DURATION)
                if name == "pack.age":
                    motion = Motion.AGEING
                elif name == "pack.rested":
                    motion = Motion.RISING
                elif row is not None and row.max_age is None and name not in _MOVING_KEPT:
                    motion = Motion.FIXED
            case TimeSince():
                natural, motion = span(0, NEVER), Motion.RISING
            case TimeUntilUse():
                natural = span(0, NEVER)
            case CountSince(event, since) if event == since:
                natural = span(0, 0)  # what happens at the mark is before it
            case NumberOfPacks() if self.packs is not None:
                natural = span(0, self.packs)
            case OverWindow(kind, signal, _):
                row = self.signals.get(signal.name)
                self.windowed.add(signal.name)
                known = kind != "slope" and row is not None
                natural = span(row.low, row.high) if known and row is not None else ANYWHERE
                whole = False
            case CountSince() | CountIn() | NumberOfPacks():
                pass
            case _:
                raise AssertionError(f"{value} is a fixed number")
        return Axis(value_wording(value), natural, motion, whole, dimension_of(value), value)

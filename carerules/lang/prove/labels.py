"""Which packs a selector takes in, drawn on axes like any condition.

Knows packs and selectors. Where the site's packs are known, a pack is one point of one axis; where
they are not, each thing that stands on a label has its own axis, and any label could be.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf
from typing import assert_never

from carerules.domain.pack import Pack
from carerules.domain.selector import (
    AllOf,
    AnyOf,
    ChemistryIs,
    Named,
    NoneOf,
    Rated,
    RoleIs,
    Selector,
    Tagged,
    selects,
)
from carerules.lang.prove.axes import PACK, Axes
from carerules.lang.prove.box import EVERYWHERE, Box, Region, Work, meet_regions, unite
from carerules.lang.prove.ranges import Ranges, less, meet, span, whole_numbers
from carerules.lang.prove.region import compared_with

OTHER = 0
"""A name, chemistry or role that no rule speaks of."""


class Labels:
    """Turns selectors into boxes."""

    def __init__(self, axes: Axes, packs: Sequence[Pack] | None, work: Work) -> None:
        self.axes = axes
        self.packs = packs
        self.work = work
        self._codes: dict[tuple[str, str], int] = {}
        self._known: dict[tuple[Selector, bool], list[Box]] = {}

    def region(self, selector: Selector, wanted: bool = True) -> list[Box]:
        """Where the selector takes the pack in; or where it does not."""
        key = selector, wanted
        if key not in self._known:
            self._known[key] = self._build(selector, wanted)
        return self._known[key]

    def _build(self, selector: Selector, wanted: bool) -> list[Box]:
        if self.packs is not None:
            chosen = whole_numbers(tuple(
                one for number, pack in enumerate(self.packs) if selects(selector, pack) is wanted
                for one in span(number, number)
            ))  # fmt: skip
            if len(self.packs) and chosen == self.axes.rows[PACK].natural:
                return list(EVERYWHERE)
            return [Box({PACK: chosen})] if chosen else []
        match selector:
            case Named(name):
                return self._code("pack", name, wanted)
            case ChemistryIs(name):
                return self._code("chemistry", name, wanted)
            case RoleIs(name):
                return self._code("role", name, wanted)
            case Tagged(tag):
                axis = self.axes.label(f"tagged {tag}", span(0, 1))
                return [Box({axis: span(int(wanted), int(wanted))})]
            case Rated(what, op, value):
                cells = what == "cells"
                natural = span(1, inf) if cells else span(0, inf, open_low=True, open_high=True)
                axis = self.axes.label(what, natural, whole=cells)
                return self._set(axis, compared_with(op, value), wanted)
            case AllOf(parts) | AnyOf(parts):
                regions: list[Region] = [self.region(part, wanted) for part in parts]
                if isinstance(selector, AnyOf) is wanted:
                    return unite(regions)
                found = list(EVERYWHERE)
                for region in regions:
                    found = meet_regions(found, region, self.work)
                return found
            case NoneOf(part):
                return self.region(part, not wanted)
            case _:
                assert_never(selector)

    def _code(self, what: str, name: str, wanted: bool) -> list[Box]:
        """A name on the label: one of those that rules speak of, or another."""
        number = self._codes.setdefault((what, name), len(self._codes) + 1)
        axis = self.axes.label(what, span(OTHER, inf, open_high=True))
        self.axes.spoken[axis, number] = name
        return self._set(axis, span(number, number), wanted)

    def _set(self, axis: int, ranges: Ranges, wanted: bool) -> list[Box]:
        row = self.axes.rows[axis]
        inside = meet(row.natural, ranges) if wanted else less(row.natural, ranges)
        inside = whole_numbers(inside) if row.whole else inside
        return [Box({axis: inside})] if inside else []

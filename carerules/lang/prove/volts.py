"""Voltages asked of a whole pack that fit no pack of its cells: a cell's, or another pack's.

Knows how the cells of each pack behave. Does not know what a rule does, nor other rules.
"""

from __future__ import annotations

from collections.abc import Iterator

from carerules.domain.condition import Condition, OverWindow, SignalValue, ValueOf, values, walk
from carerules.domain.plan import Never, Rule
from carerules.domain.quantity import Quantity
from carerules.lang.prove.axes import PACK
from carerules.lang.prove.cells import CellModel
from carerules.lang.prove.ground import Ground
from carerules.lang.prove.ranges import each_of
from carerules.lang.prove.verdict import Misfit

BELOW_V, ABOVE_V = 0.5, 0.3
"""How far below empty and above full (V a cell) a rule may well ask: for what is spoilt or fails.
Common practice, no source."""


def misfit(ground: Ground, what: Rule | Never) -> Misfit | None:
    """The first voltage of `pack.voltage` that does not fit a pack which it is asked of.

    One that is too low for many cells is told only where it fits one cell or another of these
    packs: far below empty a rule may well ask whether anything is connected at all.
    """
    asked = tuple(_asked(what.when))
    if not asked or not ground.packs:
        return None
    numbers = {
        number for box in ground.selected(what)
        for number in each_of(box.at.get(PACK, ground.axes.rows[PACK].natural))
    }  # fmt: skip
    known = [
        (pack, model) for number in sorted(numbers)
        if (model := ground.cells.get((pack := ground.packs[number]).name)) is not None
    ]  # fmt: skip
    for level in asked:
        fits_another = any(_fits(model, level.value, pack.cells) for pack, model in known)
        for pack, model in known:
            if _fits(model, level.value, pack.cells):
                continue
            too_high = level.value / pack.cells > model.volts[-1]
            if too_high or fits_another or _fits(model, level.value, 1):
                return Misfit(what, level, pack)
    return None


def _fits(model: CellModel, volts: float, cells: int) -> bool:
    return model.volts[0] - BELOW_V <= volts / cells <= model.volts[-1] + ABOVE_V


def _asked(condition: Condition) -> Iterator[Quantity]:
    """What the voltage of the whole pack is compared with."""
    for one in walk(condition):
        compared = values(one)
        if any(_is_pack_voltage(value) for value in compared):
            yield from (value for value in compared if isinstance(value, Quantity))


def _is_pack_voltage(value: ValueOf) -> bool:
    if isinstance(value, OverWindow):
        return value.kind != "slope" and _is_pack_voltage(value.signal)
    return isinstance(value, SignalValue) and value.name == "pack.voltage"

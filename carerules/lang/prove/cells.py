"""Where a pack's cells lie at each charge: what a proof over cell voltage stands on.

Knows a rest curve as plain numbers, handed in. Does not know chemistries. The charge is taken to be
right, and the cells to lie on their curve within its doubt, not far from one another, and not far
pulled down or pushed up by the current: as long as that holds, so does the proof.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from carerules.domain.condition import SignalValue
from carerules.domain.frozen import guarded
from carerules.domain.pack import Pack
from carerules.lang.prove.axes import PACK, SOC, Axes
from carerules.lang.prove.box import Box
from carerules.lang.prove.ranges import Ranges, each_of, holds, hull, meet, span

CELL_V_MAX = 5.0
"""Above every lithium cell: what is full, and fuller, may lie anywhere up to it."""
TRIED = (0.0, 0.1, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
"""Points above the lowest charge of a box at which a witness is sought."""


@guarded
class CellModel:
    """The cells of one pack.

    `charge` (%) and `volts` (V a cell at rest) are the curve, both increasing, from 0 to 100 %;
    `doubt` is how many points of charge a cell may lie beside it, at each of its points. `apart`:
    points of charge by which a cell may differ from the pack. `sag_v`: V by which the current pulls
    a cell down, or pushes it up. `source`: where the figures come from, for the proof's reader.
    """

    charge: tuple[float, ...]
    volts: tuple[float, ...]
    doubt: tuple[float, ...]
    apart: float = 5.0
    sag_v: float = 0.1
    source: str = "its chemistry file"

    def show(self) -> str:
        """The model in one sentence."""
        least, most = min(self.doubt), max(self.doubt)
        points = f"{least:.3g} to {most:.3g}" if least < most else f"{most:.3g}"
        return (
            f"cells follow the rest curve of {self.source} within {points} points of charge, lie at"
            f" most {self.apart:.3g} points from the pack, and {self.sag_v * 1e3:.3g} mV from rest"
        )

    def reach(self, low: float, high: float) -> tuple[float, float]:
        """Between which voltages (V) a cell may lie while the pack is charged between these (%)."""
        # The shifted charge moves in straight lines between the points of the curve, the voltage
        # only ever rises with it: the least and the most lie at one of these.
        edges = [low, high, *(at for at in self.charge if low < at < high)]
        shifts = [(at, self._between(self.doubt, at) + self.apart) for at in edges]
        return (
            min(self._volts(at - shift) for at, shift in shifts) - self.sag_v,
            max(self._volts(at + shift) for at, shift in shifts) + self.sag_v,
        )

    def _volts(self, charge: float) -> float:
        if charge < 0:
            return -CELL_V_MAX  # emptier than empty: it may be anywhere below
        if charge > 100:
            return CELL_V_MAX
        return self._between(self.volts, charge)

    def _between(self, column: Sequence[float], charge: float) -> float:
        n = min(max(1, bisect_right(self.charge, charge)), len(self.charge) - 1)
        low, high = self.charge[n - 1], self.charge[n]
        return column[n - 1] + (column[n] - column[n - 1]) * (charge - low) / (high - low)


CELL_SIGNALS = ("pack.cell.min", "pack.cell.max", "pack.voltage")


def speaks_of_cells(box: Box, axes: Axes) -> list[int]:
    """The axes of the box that a cell model bounds."""
    return [
        axis for axis in box.at
        if isinstance(value := axes.rows[axis].value, SignalValue) and value.name in CELL_SIGNALS
    ]  # fmt: skip


def under_model(
    box: Box, axes: Axes, packs: Sequence[Pack], models: Mapping[str, CellModel]
) -> Iterator[Box]:
    """The box as far as the cells' model leaves it, pack by pack; nothing: it cannot be."""
    about = speaks_of_cells(box, axes)
    wanted = box.at.get(PACK, axes.rows[PACK].natural)
    for number in each_of(wanted):
        pack = packs[number]
        one = replace(box, at={**box.at, PACK: span(number, number)})
        model = models.get(pack.name)
        if not about or model is None:
            yield one
            continue
        (low, _), (high, _) = hull(box.at.get(SOC, span(0, 100)))
        if _narrowed(one, axes, about, pack, model.reach(low, high)) is None:
            continue
        yield _with_charge(one, axes, about, pack, model) or replace(
            one, loose="the cells' model bounds it, and no charge was found for it"
        )


def _with_charge(
    box: Box, axes: Axes, about: Sequence[int], pack: Pack, model: CellModel
) -> Box | None:
    """The box at one charge that the model allows."""
    charges = box.at.get(SOC, span(0, 100))
    (low, _), (high, _) = hull(charges)
    for charge in [min(high, low + by) for by in TRIED] + [high]:
        if not holds(charges, charge):
            continue
        narrowed = _narrowed(box, axes, about, pack, model.reach(charge, charge))
        if narrowed is not None:
            return replace(narrowed, at={**narrowed.at, SOC: span(charge, charge)})
    return None


def _narrowed(
    box: Box, axes: Axes, about: Sequence[int], pack: Pack, reach: tuple[float, float]
) -> Box | None:
    at: dict[int, Ranges] = dict(box.at)
    for axis in about:
        value = axes.rows[axis].value
        assert isinstance(value, SignalValue)
        share = pack.cells if value.name == "pack.voltage" else 1
        at[axis] = meet(at[axis], span(reach[0] * share, reach[1] * share))
        if not at[axis]:
            return None
    return replace(box, at=at)

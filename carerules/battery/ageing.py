"""What lying and use cost a pack: a band over published cells, never one number.

Knows the chemistry's life cells. Does not know which of them a pack is like; nobody does. Published
cells age 1.1 to 5 times faster at 100 % than at 50 %, and not each of them faster the fuller it is.
A cost here is the year's mean: the first month of a new cell costs two to three times as much.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import lru_cache

from carerules.battery.chemistry import Chemistry
from carerules.battery.life import YEAR_DAYS, LifeCell
from carerules.domain.frozen import guarded
from carerules.domain.moment import DAY, MONTH, Duration, Moment
from carerules.domain.quantity import Known, Reading, median

MONTHS_A_YEAR = YEAR_DAYS * DAY / MONTH
ROOM_C = 25.0
"""Taken where no temperature is known; the spread then covers `ROOM_SWING_C` either way
(common practice, no source)."""
ROOM_SWING_C = 10.0
HIGH_PERCENT = 80.0
"""Hours above this are counted and priced: every ready-made rule brings packs down to it
(our choice)."""
GENTLE_PERCENT = 50.0
"""What hours above are held against: half full, as the trade stores packs (common practice)."""


@guarded
class Band:
    """The least, the middle and the most of what published cells say, in percent."""

    low: float
    mid: float
    high: float


def band(figures: Iterable[float | None]) -> Band | None:
    """The band of those that are known, in their own unit; None: nothing is."""
    known = sorted(figure for figure in figures if figure is not None)
    return Band(known[0], median(known), known[-1]) if known else None


def stored_cost(chemistry: Chemistry, soc: float, temp_c: float | None) -> Band | None:
    """Percent of capacity a month, as the mean of a new pack's first year, lying at this charge
    (%) and temperature. None: nothing is published for the chemistry.

    No temperature: that of a room, and the edges of the band where it is cooler or warmer.
    """
    return _stored_cost(chemistry.life, soc, temp_c)


PRICES_KEPT = 16_384  # a site's packs lie at a few hundred places of the grid; our choice


@lru_cache(PRICES_KEPT)
def _stored_cost(life: tuple[LifeCell, ...], soc: float, temp_c: float | None) -> Band | None:
    temps = (temp_c,) if temp_c is not None else (
        ROOM_C, ROOM_C - ROOM_SWING_C, ROOM_C + ROOM_SWING_C,
    )  # fmt: skip
    bands = [band(_monthly(cell, soc, temp) for cell in life) for temp in temps]
    known = [one for one in bands if one is not None]
    if not known:
        return None
    return Band(min(one.low for one in known), known[0].mid, max(one.high for one in known))


@lru_cache(PRICES_KEPT)
def _monthly(cell: LifeCell, soc: float, temp_c: float) -> float | None:
    loss = cell.stored_loss(soc / 100, temp_c, YEAR_DAYS)
    return None if loss is None else 100 * loss / MONTHS_A_YEAR


def use_cost(chemistry: Chemistry, uses: float, depth: float, rate_c: float) -> Band | None:
    """Percent of capacity that so many uses from new cost, each of one depth (%) and C-rate, in a
    room of `ROOM_C`."""
    cycles = uses * depth / 100
    return band(
        None if loss is None else 100 * loss
        for cell in chemistry.life
        for loss in [cell.cycled_loss(depth / 100, rate_c, ROOM_C, cycles)]
    )


TEMP_MAX_AGE: Duration = DAY
"""An older temperature says nothing of the pack now: a room swings through a day."""


LIFE_COST_SIGNAL = "pack.stored_life_cost"


GRID = 2
"""A price is worked out at the next half point and half kelvin. That moves it by four hundredths at
most (measured), where published cells differ severalfold."""


def _on_grid(value: float) -> float:
    return round(GRID * value) / GRID


def lies_otherwise(before: Mapping[str, Reading], after: Mapping[str, Reading]) -> bool:
    """Whether the pack lies so differently that its cost has to be worked out anew."""
    return _moved(before.get("pack.soc"), after.get("pack.soc")) or _moved(
        before.get("pack.temperature"), after.get("pack.temperature")
    )


def _moved(before: Reading | None, after: Reading | None) -> bool:
    if before is after:
        return False
    if not (isinstance(before, Known) and isinstance(after, Known)):
        return True
    return before.value != after.value and _on_grid(before.value) != _on_grid(after.value)


def life_cost(chemistry: Chemistry, readings: Mapping[str, Reading], at: Moment) -> Known | None:
    """`pack.stored_life_cost` at a moment, out of the pack's other readings; None: unknown."""
    soc, temp = readings.get("pack.soc"), readings.get("pack.temperature")
    if not isinstance(soc, Known):
        return None
    fresh = isinstance(temp, Known) and at - temp.at <= TEMP_MAX_AGE
    level = max(0.0, min(100.0, soc.value_at(at)))
    warm = _on_grid(temp.value) if fresh and isinstance(temp, Known) else None
    cost = _stored_cost(chemistry.life, _on_grid(level), warm)
    if cost is None:
        return None
    return Known(cost.mid, (cost.high - cost.low) / 2, at, f"published cells for {chemistry.name}")


# --- the ledger -----------------------------------------------------------------------------------


@guarded
class Ledger:
    """What a stretch of lying came to, in percent of capacity, cell by published cell.

    `lost` while it lay as it did; `high` the part of it above 80 %, and `high_gentle` what those
    same hours would have cost at 50 %; `full` what all hours would have cost at 100 %.
    Times in milliseconds; `unseen` is where the charge was unknown: it is priced as nothing.
    """

    cells: tuple[LifeCell, ...]
    lost: tuple[float, ...]
    high: tuple[float, ...]
    high_gentle: tuple[float, ...]
    full: tuple[float, ...]
    seen_time: Duration = 0
    high_time: Duration = 0
    unseen: Duration = 0

    @property
    def loss(self) -> Band | None:
        """Percent of capacity lost by lying."""
        return band(self.lost)

    @property
    def high_extra(self) -> Band | None:
        """Percent that the hours above 80 % cost more than at 50 %."""
        return band(a - b for a, b in zip(self.high, self.high_gentle, strict=True))

    @property
    def saved_each(self) -> tuple[float, ...]:
        """Percent that was not lost against lying full all the while, by cell."""
        return tuple(a - b for a, b in zip(self.full, self.lost, strict=True))

    @property
    def saved(self) -> Band | None:
        """The same as a band; below 0 for a cell that ages no faster full."""
        return band(self.saved_each)


def empty_ledger(chemistry: Chemistry) -> Ledger:
    """A ledger in which nothing has lain yet."""
    cells = tuple(cell for cell in chemistry.life if cell.stored is not None)
    none = (0.0,) * len(cells)
    return Ledger(cells, none, none, none, none)


def lain(ledger: Ledger, soc: float | None, temp_c: float | None, time: Duration) -> Ledger:
    """The ledger after the pack has lain so long at one charge (%; None: unknown)."""
    if soc is None:
        return replace(ledger, unseen=ledger.unseen + time)
    temp, share = _on_grid(ROOM_C if temp_c is None else temp_c), time / MONTH

    def added(column: tuple[float, ...], at: float) -> tuple[float, ...]:
        prices = _prices(ledger.cells, at, temp)
        return tuple([b + price * share for b, price in zip(column, prices, strict=True)])

    lost, full = added(ledger.lost, _on_grid(soc)), added(ledger.full, 100.0)
    high, high_gentle, high_time = ledger.high, ledger.high_gentle, ledger.high_time
    if soc > HIGH_PERCENT:
        high, high_time = added(high, _on_grid(soc)), high_time + time
        high_gentle = added(high_gentle, GENTLE_PERCENT)
    seen = ledger.seen_time + time
    return Ledger(ledger.cells, lost, high, high_gentle, full, seen, high_time, ledger.unseen)


@lru_cache(PRICES_KEPT)
def _prices(cells: tuple[LifeCell, ...], soc: float, temp_c: float) -> tuple[float, ...]:
    """What a month costs each cell; nothing where nothing is published."""
    return tuple(_monthly(cell, soc, temp_c) or 0.0 for cell in cells)

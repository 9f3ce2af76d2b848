"""A pack's health in one line of its status: only what is worth a look, or all that is known.

Knows worlds, histories and shapes. Does not judge (`battery/health`).
"""

from __future__ import annotations

from carerules.battery import RATED, History, Trend
from carerules.domain.moment import DAY
from carerules.domain.quantity import Known
from carerules.loop import World
from carerules.report.pack import tidy
from carerules.report.shapes import BandShape, GlanceShape, PackShape

WORTH_PERCENT = 90.0
"""Of the label: a pack that still has more is as good as new (common practice, no source)."""
WORTH_POINTS = 2.0
"""Cells so far apart at rest are worth a look (no source)."""


def glance_of(world: World, name: str, past: History | None = None) -> GlanceShape:
    """What the estimate knows of the pack's health; with its `past`, trends and weak cells too."""
    readings = world.packs[name].estimate.readings
    share, apart = readings.get("pack.health"), readings.get("pack.cell.imbalance")
    ohm = readings.get("pack.resistance")
    measured = share if isinstance(share, Known) and share.source != RATED else None
    weak: list[int] = []
    rises: BandShape | None = None
    if past is not None:
        health = past.health
        weak = [cell.number for cell in health.cells if cell.weak]
        rises = rises_of(health.resistance_trend)
    typical = not isinstance(ohm, Known) or ohm.source.startswith("typical")
    return GlanceShape(
        capacity_percent=None if measured is None else tidy(measured.value),
        capacity_spread_percent=None if measured is None else tidy(measured.spread),
        imbalance_percent=tidy(apart.value) if isinstance(apart, Known) else None,
        resistance_mohm=None if typical or not isinstance(ohm, Known) else tidy(ohm.value),
        resistance_rises_percent_year=rises,
        weak_cells=weak,
    )


def rises_of(trend: Trend | None) -> BandShape | None:
    """Percent that it rises by in a year, of what it is now."""
    if trend is None or trend.value <= 0:
        return None
    year = 365 * DAY * 100 / trend.value
    return BandShape(
        low=tidy(year * trend.low), mid=tidy(year * trend.slope), high=tidy(year * trend.high)
    )


def glance_words(pack: PackShape, *, whole: bool) -> tuple[str, bool]:
    """The line (empty: nothing to say) and whether it asks for a look; `whole`: all that is known,
    as where the pack was asked for by name."""
    seen = pack.health
    said: list[str] = []
    share, apart = seen.capacity_percent, seen.imbalance_percent
    rises = rises_words(seen.resistance_rises_percent_year)
    tired = share is not None and share < WORTH_PERCENT
    uneven = apart is not None and apart >= WORTH_POINTS
    if share is not None and seen.capacity_spread_percent is not None and (whole or tired):
        ah = share / 100 * pack.capacity_ah
        said.append(f"{ah:.3g} Ah, {share:.0f} ± {seen.capacity_spread_percent:.0f} % of the label")
    elif whole and share is None:
        said.append("capacity not measured yet")
    if seen.resistance_mohm is not None and whole:
        said.append(f"{seen.resistance_mohm:.2g} mΩ a cell{rises}")
    if apart is not None and (whole or uneven):
        said.append(f"cells {apart:.1f} points of charge apart at rest")
    for cell in seen.weak_cells:
        said.append(f"cell {cell} is WEAK")
    return "; ".join(said), tired or uneven or bool(seen.weak_cells)


def rises_words(band: BandShape | None) -> str:
    """`, +4 % a year (+1 to +7)`, or nothing."""
    if band is None:
        return ""
    return f", {band.mid:+.0f} % a year ({band.low:+.0f} to {band.high:+.0f})"

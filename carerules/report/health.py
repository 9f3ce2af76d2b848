"""How packs age: what was measured, what it comes to, what lying cost, for people and programs.

Knows histories and shapes. Does not know where a history comes from.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from carerules.battery import Band, Crossing, History, Trend, stored_cost, use_cost
from carerules.domain.moment import DAY, SECOND, LocalTime
from carerules.domain.quantity import Known
from carerules.report.course_shapes import (
    CellShape,
    HealthShape,
    LyingShape,
    PackHealthShape,
    ReachShape,
)
from carerules.report.glance import rises_of, rises_words
from carerules.report.pack import tidy
from carerules.report.page import Paint, fold, plain, show_s
from carerules.report.shapes import BandShape

YEAR_MS = 365 * DAY
USES, USE_DEPTH, USE_RATE_C = 50, 80.0, 1.0
"""What lying is held beside: about a year of weekly outings, each from full to a fifth (%), within
the hour (our choice, no source)."""


def health_of(site: str, histories: Iterable[History], local: LocalTime) -> HealthShape:
    """The health of each pack."""
    return HealthShape(site=site, packs=[_pack(one, local) for one in histories])


def _pack(history: History, local: LocalTime) -> PackHealthShape:
    health, pack = history.health, history.pack
    capacity, ohm = health.capacity, health.resistance
    return PackHealthShape(
        pack=pack.name,
        since=None if history.began is None else local.read(history.began),
        label_ah=pack.capacity_ah,
        capacity_ah=None if capacity is None else tidy(capacity.value),
        capacity_spread_ah=None if capacity is None else tidy(capacity.spread),
        capacity_measured=health.measured,
        capacity_by_energy=history.by_energy and capacity is not None,
        fall_percent_year=_fall(health.percent),
        reaches=[_reach(level, crossing, local) for level, crossing in health.reaches],
        resistance_mohm=None if ohm is None else tidy(ohm.value),
        resistance_spread_mohm=None if ohm is None else tidy(ohm.spread),
        resistance_rises_percent_year=rises_of(health.resistance_trend),
        imbalance_percent=None if health.imbalance is None else tidy(health.imbalance),
        imbalance_v=None if health.imbalance_v is None else tidy(health.imbalance_v),
        cells=[
            CellShape(
                cell=one.number, apart_percent=tidy(one.apart), apart_v=tidy(one.apart_v),
                leak_percent_month=None if one.leak is None else tidy(one.leak), weak=one.weak,
            )
            for one in health.cells
        ],
        lying=_lying(history),
        fifty_uses_percent=_fifty_uses(history),
    )  # fmt: skip


def _fall(trend: Trend | None) -> BandShape | None:
    """Points of the label lost a year; the least first."""
    if trend is None:
        return None
    least, likely, most = (-one * YEAR_MS for one in (trend.high, trend.slope, trend.low))
    return BandShape(low=tidy(least), mid=tidy(likely), high=tidy(most))


def _reach(level: float, crossing: Crossing, local: LocalTime) -> ReachShape:
    likely, latest = crossing.likely, crossing.latest
    return ReachShape(
        percent=level, earliest=local.read(crossing.earliest),
        likely=None if likely is None else local.read(likely),
        latest=None if latest is None else local.read(latest),
    )  # fmt: skip


def _lying(history: History) -> LyingShape | None:
    ledger = history.ledger
    lost, extra, saved = ledger.loss, ledger.high_extra, ledger.saved
    if lost is None or extra is None or saved is None or not ledger.seen_time:
        return None
    soc = history.estimate.readings.get("pack.soc")
    month: Band | None = None
    if isinstance(soc, Known):
        level = max(0.0, min(100.0, soc.value_at(history.seen)))
        month = stored_cost(history.chemistry, level, None)
    return LyingShape(
        seen_s=ledger.seen_time / SECOND, above_80_percent_s=ledger.high_time / SECOND,
        unknown_s=ledger.unseen / SECOND, lost_percent=_band(lost),
        extra_above_80_percent=_band(extra), saved_to_full_percent=_band(saved),
        month_now_percent=None if month is None else _band(month),
    )  # fmt: skip


def _fifty_uses(history: History) -> BandShape | None:
    cost = use_cost(history.chemistry, USES, USE_DEPTH, USE_RATE_C)
    return None if cost is None else _band(cost)


def _band(band: Band) -> BandShape:
    return BandShape(low=tidy(band.low), mid=tidy(band.mid), high=tidy(band.high))


# ---- as words --------------------------------------------------------------------------------


def health_lines(health: HealthShape, paint: Paint = plain) -> list[str]:
    """The health of packs for a terminal."""
    lines: list[str] = []
    for pack in health.packs:
        lines += ["", *_pack_lines(pack, paint)] if lines else _pack_lines(pack, paint)
    if any(pack.lying or pack.fifty_uses_percent for pack in health.packs):
        note = "costs are the band over published cells, which differ severalfold: no promise"
        lines += ["", *fold("", note)]
    return lines


def health_words(pack: PackHealthShape) -> list[tuple[str, str]]:
    """Each finding about a pack, as its label and its words."""
    return [(label, words) for label, words, _ in _rows(pack)]


def _pack_lines(pack: PackHealthShape, paint: Paint) -> Iterator[str]:
    since = "nothing heard yet" if pack.since is None else f"by what was heard since {_day(pack)}"
    yield from fold("", f"{pack.pack}: {pack.label_ah:g} Ah on the label, {since}")
    for label, text, tone in _rows(pack):
        for line in fold(f"  {label:12}", text):
            yield paint(tone, line) if tone else line


def _day(pack: PackHealthShape) -> str:
    assert pack.since is not None
    return f"{pack.since:%d %b %Y}"


def _rows(pack: PackHealthShape) -> Iterator[tuple[str, str, str]]:
    if pack.capacity_ah is None or pack.capacity_spread_ah is None:
        yield "capacity", "not measured yet: it takes two rests 30 points apart, or an entry", ""
    else:
        share = 100 / pack.label_ah
        yield (
            "capacity",
            (
                f"{pack.capacity_ah:.3g} ± {pack.capacity_spread_ah:.2g} Ah, "
                f"{share * pack.capacity_ah:.0f} ± {share * pack.capacity_spread_ah:.0f} %"
                f" of the label ({pack.capacity_measured} measured"
                f"{', by energy at the plug' if pack.capacity_by_energy else ''})"
            ),
            "",
        )
    fall = pack.fall_percent_year
    if fall is None:
        yield "trend", "not known yet: it takes six capacities over a month", ""
    else:
        likely = f"{fall.mid:.1f} points a year ({fall.low:.1f} to {fall.high:.1f})"
        yield "trend", f"falls by {likely}" if fall.mid > 0 else f"no fall: {likely}", ""
    for reach in pack.reaches:
        yield f"to {reach.percent:.0f} %", _dates(reach), ""
    if pack.resistance_mohm is not None and pack.resistance_spread_mohm is not None:
        ohm = f"{pack.resistance_mohm:.2g} ± {pack.resistance_spread_mohm:.1g} mΩ a cell"
        rises = rises_words(pack.resistance_rises_percent_year)
        yield "resistance", f"{ohm} at 25 °C, by steps of current{rises}", ""
    if pack.imbalance_percent is not None and pack.imbalance_v is not None:
        apart = f"{pack.imbalance_percent:.1f} points at rest, {1_000 * pack.imbalance_v:.0f} mV"
        yield "cells apart", apart, ""
    for cell in pack.cells:
        if cell.weak:
            leak = cell.leak_percent_month
            loses = (
                "" if leak is None else f", loses {leak:.1f} points a month more than the others"
            )
            words = f"cell {cell.cell}: {cell.apart_percent:+.1f} points from the middle one{loses}"
            yield "WEAK", words, "tell"
    yield from _lying_rows(pack.lying)
    if pack.fifty_uses_percent is not None:
        cost = _words(pack.fifty_uses_percent)
        yield "fifty uses", f"{cost} % of a new pack, each from full to 20 % at 1 C", ""


def _dates(reach: ReachShape) -> str:
    likely = "not within ten years" if reach.likely is None else f"{reach.likely:%b %Y}"
    latest = "later than ten years" if reach.latest is None else f"{reach.latest:%b %Y}"
    return f"{likely} ({reach.earliest:%b %Y} to {latest}), if it goes on so"


def _lying_rows(lying: LyingShape | None) -> Iterator[tuple[str, str, str]]:
    if lying is None:
        yield "lying", "its charge was never known, or no published cell stands for it", ""
        return
    lost = f"{_words(lying.lost_percent)} % of capacity in {show_s(lying.seen_s)}"
    if lying.unknown_s >= 60:
        lost += f"; for {show_s(lying.unknown_s)} the charge was unknown"
    yield "lying cost", lost, ""
    high = f"{show_s(lying.above_80_percent_s)}, costing {_words(lying.extra_above_80_percent)} %"
    yield "above 80 %", f"{high} more than at 50 %", ""
    yield "saved", f"{_words(lying.saved_to_full_percent)} % against lying full all the time", ""
    if lying.month_now_percent is not None:
        yield "as it lies", f"{_words(lying.month_now_percent)} % a month, in a room", ""


def _words(band: BandShape) -> str:
    return f"{band.low:.3f} to {band.high:.3f}"

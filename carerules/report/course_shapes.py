"""The shapes of what takes time: the course of a charge, what is ahead, health, rules compared.

Knows names, units and kinds of fields, and not where their values come from. The rules for shapes
are those of `shapes`.
"""

from __future__ import annotations

from typing import Literal, TypeAlias

from pydantic import AwareDatetime

from carerules.report.shapes import BandShape, LineShape, Shape

SpanKind: TypeAlias = Literal["rule", "job", "load", "charger", "veto"]


class LevelShape(Shape):
    """The charge at one moment of the past; null: unknown then."""

    at: AwareDatetime
    soc_percent: float | None
    spread_percent: float | None


class SpanShape(Shape):
    """Something that was so for a while: a rule held, a job was under way, a plug was on; or (a
    moment long) an interlock vetoed.

    `goes_on`: it still was at the end of what was looked at.
    """

    kind: SpanKind
    name: str
    begins: AwareDatetime
    ends: AwareDatetime
    goes_on: bool


class TimelineShape(Shape):
    """What `carerules timeline PACK --json` says. `left_out`: how many more there were."""

    shape: Literal[1] = 1
    site: str
    pack: str
    since: AwareDatetime
    until: AwareDatetime
    levels: list[LevelShape]
    spans: list[SpanShape]
    marks: list[LineShape]
    left_out: int


class HeldShape(Shape):
    """A rule that began to hold for a pack, and what it would have done."""

    rule: str
    pack: str
    at: AwareDatetime
    line: str


class CompareShape(Shape):
    """What `carerules compare FILE --json` says: `change` in words; how many beginnings are the
    same; those that would have been no more, and those anew."""

    shape: Literal[1] = 1
    site: str
    since: AwareDatetime
    until: AwareDatetime
    change: str
    same: int
    no_more: list[HeldShape]
    anew: list[HeldShape]
    left_out: int


class PathShape(Shape):
    """One point of a forecast: after so long, so full, and the pack's voltage with current."""

    after_s: float
    soc_percent: float
    voltage_v: float


class ForecastShape(Shape):
    """What `carerules forecast PACK --json` says: the middle, and a band two sigma either way.

    `energy_wh` is what the load gets, or what goes into the pack. `warmer_low_k` to
    `warmer_high_k`: how much warmer the pack ends than it began, null where the chemistry file
    says nothing of heat. `ends_percent` is short of `target_percent` where the charger ends first.
    """

    shape: Literal[1] = 1
    site: str
    pack: str
    action: Literal["drain", "charge"]
    by: str
    from_percent: float
    from_spread_percent: float
    target_percent: float
    ends_percent: float
    time_s: float
    time_low_s: float
    time_high_s: float
    ready_at: AwareDatetime
    ready_from: AwareDatetime
    ready_until: AwareDatetime
    taper_s: float | None
    energy_wh: float
    energy_low_wh: float
    energy_high_wh: float
    heat_wh: float
    charge_ah: float
    warmer_low_k: float | None
    warmer_high_k: float | None
    path: list[PathShape]
    remarks: list[str]


class ReachShape(Shape):
    """When a share of the label is reached: at the soonest, likely, at the latest; null: not within
    ten years."""

    percent: float
    earliest: AwareDatetime
    likely: AwareDatetime | None
    latest: AwareDatetime | None


class CellShape(Shape):
    """One cell at rest against the middle one; `leak_percent_month` null: not seen yet."""

    cell: int
    apart_percent: float
    apart_v: float
    leak_percent_month: float | None
    weak: bool


class LyingShape(Shape):
    """What lying cost by published cells, in percent of capacity."""

    seen_s: float
    above_80_percent_s: float
    unknown_s: float
    lost_percent: BandShape
    extra_above_80_percent: BandShape
    saved_to_full_percent: BandShape
    month_now_percent: BandShape | None


class PackHealthShape(Shape):
    """The health of one pack; what is unknown is null. `capacity_measured`: how often.

    `fifty_uses_percent`: what fifty uses from full to a fifth, at 1 C in a room, cost a new pack by
    published cells, in percent of capacity.
    """

    pack: str
    since: AwareDatetime | None
    label_ah: float
    capacity_ah: float | None
    capacity_spread_ah: float | None
    capacity_measured: int
    capacity_by_energy: bool
    fall_percent_year: BandShape | None
    reaches: list[ReachShape]
    resistance_mohm: float | None
    resistance_spread_mohm: float | None
    resistance_rises_percent_year: BandShape | None
    imbalance_percent: float | None
    imbalance_v: float | None
    cells: list[CellShape]
    lying: LyingShape | None
    fifty_uses_percent: BandShape | None


class HealthShape(Shape):
    """What `carerules health --json` says."""

    shape: Literal[1] = 1
    site: str
    packs: list[PackHealthShape]

"""The shape of what a stretch of time came to, as `carerules report` says it.

Knows names, units and kinds of fields, and not where their values come from. The rules for shapes
are those of `shapes`.
"""

from __future__ import annotations

from typing import Literal

from pydantic import AwareDatetime

from carerules.report.course_shapes import PackHealthShape
from carerules.report.shapes import BandShape, Shape


class LevelTimeShape(Shape):
    """How long a pack lay between two levels of charge; the upper one belongs to the next."""

    from_percent: float
    to_percent: float
    time_s: float


class PointShape(Shape):
    """The charge at a full hour; null: unknown."""

    at: AwareDatetime
    soc_percent: float | None
    spread_percent: float | None


class MarkShape(Shape):
    """Something on a pack's time line: a job that began or ended, or that it was barred."""

    at: AwareDatetime
    kind: Literal["began", "ended", "failed", "barred"]
    words: str


class MeasureShape(Shape):
    """A capacity that was measured, and its spread (1 sigma)."""

    at: AwareDatetime
    capacity_ah: float
    spread_ah: float


class MonthLyingShape(Shape):
    """What lying cost in this time by published cells, in percent of capacity."""

    above_80_percent_s: float
    lost_percent: BandShape
    extra_above_80_percent: BandShape
    saved_to_full_percent: BandShape


class PackMonthShape(Shape):
    """One pack over the time; counts of charges and uses. `cycles` are falls of charge, in whole
    capacities; `energy_wh` went through the plugs by our hand."""

    pack: str
    chemistry: str
    cells: int
    capacity_ah: float
    levels: list[LevelTimeShape]
    unknown_s: float
    cycles: float
    charges: int
    uses: int
    energy_wh: float
    lying: MonthLyingShape | None
    health: PackHealthShape
    path: list[PointShape]
    marks: list[MarkShape]
    capacities: list[MeasureShape]


class RuleMonthShape(Shape):
    """How often a rule fired, and what came of it; `ended_else` jobs that did not come to their own
    end."""

    rule: str
    fired: int
    done: int
    ended_else: int
    energy_wh: float


class StepInShape(Shape):
    """How often an interlock stepped in for a pack on a station."""

    interlock: str
    pack: str
    station: str
    times: int


class RetireShape(Shape):
    """A pack to be retired, or watched, and why."""

    pack: str
    now: bool
    why: str


class MonthShape(Shape):
    """What `carerules report --json` says. `since`: the journal knows nothing before. Each whole
    number counts what its name says."""

    shape: Literal[1] = 1
    site: str
    virtual: bool
    begins: AwareDatetime
    ends: AwareDatetime
    since: AwareDatetime | None
    packs: list[PackMonthShape]
    rules: list[RuleMonthShape]
    interlocks: list[StepInShape]
    chores: int
    notices: int
    urgent: int
    retire: list[RetireShape]

"""The shape of a plan, as `carerules plan --json` says it.

Knows names, units and kinds of fields, and not where their values come from. The rules for shapes
are those of `report/shapes`.
"""

from __future__ import annotations

from typing import Literal

from pydantic import AwareDatetime

from carerules.domain.keptplan import MadeBy, SideWord
from carerules.report import Shape


class RunShape(Shape):
    """A pack at a station's load or charger: to which charge, and for what. `read`: somebody reads
    its voltage and enters it as it begins."""

    pack: str
    station: str
    side: SideWord
    target_percent: float
    begins: AwareDatetime
    ends: AwareDatetime
    due: AwareDatetime | None
    rule: str | None
    use: str | None
    read: bool


class MoveShape(Shape):
    """A pack that a person hangs on a station; `off` comes off it then."""

    at: AwareDatetime
    pack: str
    station: str
    off: str | None


class ReadingShape(Shape):
    """A pack whose voltage a person reads and enters, so that its drain goes on."""

    at: AwareDatetime
    pack: str


class LeftOutShape(Shape):
    """What cannot be had together with the rest: the cheapest to do without; and why."""

    pack: str
    side: SideWord
    target_percent: float
    due: AwareDatetime | None
    rule: str | None
    use: str | None
    why: str


class CostShape(Shape):
    """What the plan costs, in percent of one pack's capacity each; and its wall energy."""

    ageing_percent: float
    moves_percent: float
    energy_percent: float
    left_out_percent: float
    total_percent: float
    energy_wh: float
    energy_money: float


class SpellShape(Shape):
    """A stretch of time."""

    begins: AwareDatetime
    ends: AwareDatetime


class PlanShape(Shape):
    """What `carerules plan --json` says."""

    shape: Literal[1] = 1
    site: str
    now: AwareDatetime
    begins: AwareDatetime
    ends: AwareDatetime
    made_by: MadeBy
    gap_percent: float | None
    stations: list[str]
    asleep: list[SpellShape]
    runs: list[RunShape]
    moves: list[MoveShape]
    readings: list[ReadingShape]
    left_out: list[LeftOutShape]
    cost: CostShape
    remarks: list[str]


class KeptRunShape(RunShape):
    """A run of a kept plan; `done`: when it was over, its charge reached or its job ended well."""

    done: AwareDatetime | None


class KeptMoveShape(MoveShape):
    """A move of a kept plan, at `at` at the latest. `told`: from when on it is on the to-do list;
    `done`: when the pack was hung there, once it was."""

    told: AwareDatetime
    done: AwareDatetime | None


class KeptLeftOutShape(LeftOutShape):
    """What a kept plan does without; `words`: as the to-do list has it."""

    words: str


class KeptPlanShape(Shape):
    """A kept plan against what is so. `because`: what differed from the one before it, where it was
    made anew; `differences`: what differs from it now."""

    made: AwareDatetime
    by: str
    made_by: MadeBy
    because: list[str]
    begins: AwareDatetime
    ends: AwareDatetime
    gap_percent: float | None
    stations: list[str]
    asleep: list[SpellShape]
    runs: list[KeptRunShape]
    moves: list[KeptMoveShape]
    left_out: list[KeptLeftOutShape]
    remarks: list[str]
    differences: list[str]


class KeptShape(Shape):
    """What `carerules plan --kept --json` says; `plan` null: none is kept."""

    shape: Literal[1] = 1
    site: str
    now: AwareDatetime
    plan: KeptPlanShape | None

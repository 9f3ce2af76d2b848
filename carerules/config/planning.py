"""The table of a site file about plans: people's hours, the circuit, and what energy costs.

Knows the keys. Does not know how a plan is made.
"""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import BeforeValidator, Field, WithJsonSchema

from carerules.config.problem import found
from carerules.config.things import Table
from carerules.config.values import Measure, Window, refused
from carerules.domain.action import DayWindow
from carerules.domain.frozen import guarded
from carerules.domain.keptplan import AWAKE, Hours
from carerules.domain.quantity import POWER

BANDS_MAX = 24
"""A price for each hour of the day."""


@guarded
class Planning:
    """What plans go by, and at which minute of each day a service makes one and keeps it (None: at
    none)."""

    hours: Hours = Hours()
    daily: int | None = None


_BAND = re.compile(
    r"([01]\d|2[0-3]):([0-5]\d)-([01]\d|2[0-3]):([0-5]\d) ([0-9]{1,3}(?:\.[0-9]{1,6})?)"
)


def _band(value: object) -> tuple[DayWindow, float]:
    match = _BAND.fullmatch(value) if isinstance(value, str) else None
    if match is None or match[1] + match[2] == match[3] + match[4]:
        raise refused(found(value), "hours and money a kWh, such as `22:00-06:00 0.12`")
    hour, minute, hour_end, minute_end = (int(part) for part in match.groups()[:4])
    return DayWindow(60 * hour + minute, 60 * hour_end + minute_end), float(match[5])


Band = Annotated[
    tuple[DayWindow, float],
    BeforeValidator(_band),
    WithJsonSchema({"type": "string", "pattern": f"^{_BAND.pattern}$"}),
]


_CLOCK = re.compile(r"([01]\d|2[0-3]):([0-5]\d)")


def _clock(value: object) -> int:
    match = _CLOCK.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        raise refused(found(value), "a time of the day, such as `17:00`")
    return 60 * int(match[1]) + int(match[2])


ClockTime = Annotated[
    int,
    BeforeValidator(_clock),
    WithJsonSchema({"type": "string", "pattern": f"^{_CLOCK.pattern}$"}),
]
"""A minute of the day."""


class PlanningTable(Table):
    """What `carerules plan` goes by where it is not told otherwise (docs/planner.md)."""

    awake: Window | None = Field(
        default=None,
        description="When somebody can move packs. Without it: 07:00-22:00.",
        examples=["07:00-22:30"],
    )
    circuit: Annotated[float, Measure(POWER, 1, 100_000, "2300 W")] | None = Field(
        default=None,
        description="What all chargers together may draw at the wall. Without it: no limit.",
        examples=["2300 W"],
    )
    price: float = Field(
        default=0.0, ge=0, le=1_000, description="Money a kWh. Without it: energy costs nothing.",
        examples=[0.30],
    )  # fmt: skip
    prices: list[Band] = Field(
        default=[],
        max_length=BANDS_MAX,
        description="Other prices through some hours of the day; the last that fits counts.",
        examples=[["22:00-06:00 0.12"]],
    )
    daily: ClockTime | None = Field(
        default=None,
        description="When the service makes a plan each day, by the simple rule, and keeps it. "
        "Without it: it makes none but in place of one that somebody keeps, and that no longer "
        "fits.",
        examples=["17:00"],
    )


def planning_of(table: PlanningTable) -> Planning:
    """The table, in the words of those who plan."""
    hours = Hours(table.awake or AWAKE, table.circuit, table.price, tuple(table.prices))
    return Planning(hours, table.daily)

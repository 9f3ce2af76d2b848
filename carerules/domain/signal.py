"""The catalogue of signals: what a rule may ask about.

Knows names, dimensions and ranges. Does not know where a value comes from or how it is derived.
A new raw signal is one row here; a new derived one is a row here, and its line in
`battery/estimate`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import Enum
from typing import TypeAlias

from carerules.domain.frozen import guarded
from carerules.domain.moment import MINUTE, Duration
from carerules.domain.quantity import (
    CAPACITY,
    CHARGE_LEVEL,
    CURRENT,
    DURATION,
    LIFE_COST,
    POWER,
    RESISTANCE,
    SWITCH,
    TEMPERATURE,
    VOLTAGE,
    Dimension,
)


class Scope(Enum):
    """Whose signal it is; a rule about a pack sees the station that the pack is on."""

    PACK = "pack"
    STATION = "station"
    SITE = "site"


@guarded
class Signal:
    """One row. `max_age` None: kept, it holds until something changes it.

    Otherwise measured: older than `max_age` it is unknown. `low` and `high` bound what is
    plausible, in base units; a sample outside is rejected at the door and named.
    `bridge` is the longest gap that does not break a running `for`.
    """

    name: str
    dimension: Dimension
    max_age: Duration | None
    low: float
    high: float
    meaning: str
    raw: bool = True
    bridge: Duration = 10 * MINUTE

    @property
    def scope(self) -> Scope:
        """The word before the first dot."""
        return Scope(self.name.partition(".")[0])


Catalogue: TypeAlias = Mapping[str, Signal]

MEASURED_MAX_AGE: Duration = 10 * MINUTE
"""Twice the slowest reporting interval that plugs ship with (300 s)."""


def catalogue(extra: Iterable[Signal] = ()) -> Catalogue:
    """The built-in signals and a site's own, by name."""
    return {signal.name: signal for signal in (*_BUILT_IN, *extra)}


def _measured(
    name: str, dimension: Dimension, low: float, high: float, meaning: str, *, raw: bool = True
) -> Signal:
    return Signal(name, dimension, MEASURED_MAX_AGE, low, high, meaning, raw)


def _kept(
    name: str, dimension: Dimension, low: float, high: float, meaning: str, *, raw: bool = False
) -> Signal:
    return Signal(name, dimension, None, low, high, meaning, raw)


_LONG = float(1 << 62)

_BUILT_IN = (
    _kept("pack.soc", CHARGE_LEVEL, 0, 100, "state of charge", raw=True),
    _measured("pack.voltage", VOLTAGE, 0, 1_000, "voltage of the whole pack"),
    _measured("pack.cell.min", VOLTAGE, 0, 5, "voltage of the lowest cell"),
    _measured("pack.cell.max", VOLTAGE, 0, 5, "voltage of the highest cell"),
    _measured("pack.cell.spread", VOLTAGE, 0, 5, "highest less lowest cell", raw=False),
    _kept("pack.cell.imbalance", CHARGE_LEVEL, 0, 100, "cells apart at rest, in points of charge"),
    _measured("pack.current", CURRENT, -2_000, 2_000, "current, positive into the pack"),
    _measured("pack.power", POWER, -100_000, 100_000, "power, positive into the pack"),
    _measured("pack.temperature", TEMPERATURE, -40, 120, "temperature of the pack"),
    _kept("pack.capacity", CAPACITY, 0, 5_000, "capacity now", raw=True),
    _kept("pack.health", CHARGE_LEVEL, 0, 150, "capacity now against capacity when new"),
    _kept(
        "pack.resistance", RESISTANCE, 0, 10_000, "inner resistance of a cell at 25 °C", raw=True
    ),
    _kept("pack.rested", DURATION, 0, _LONG, "time since current last flowed"),
    _kept("pack.age", DURATION, 0, _LONG, "time since the pack was made or bought"),
    _kept("pack.stored_life_cost", LIFE_COST, 0, 100, "modelled loss by lying as it lies now"),
    _measured("station.load.power", POWER, 0, 20_000, "power that the load draws"),
    _measured("station.load.on", SWITCH, 0, 1, "whether the load is switched on"),
    _measured("station.charger.power", POWER, 0, 20_000, "power that the charger draws"),
    _measured("station.charger.on", SWITCH, 0, 1, "whether the charger is switched on"),
    _measured("site.temperature", TEMPERATURE, -40, 80, "temperature of the room"),
    _measured("site.smoke", SWITCH, 0, 1, "whether a smoke alarm sounds"),
)

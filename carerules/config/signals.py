"""A site's own signals: `[signal.NAME]` becomes `site.NAME`.

Knows units and what is believable in each. Does not know where values come from.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from carerules.config.known import Raw, named
from carerules.config.things import SignalTable
from carerules.config.values import measured
from carerules.domain.frozen import guarded
from carerules.domain.quantity import (
    CAPACITY,
    CHARGE_LEVEL,
    COUNT,
    CURRENT,
    ENERGY,
    POWER,
    RESISTANCE,
    SWITCH,
    TEMPERATURE,
    VOLTAGE,
    Dimension,
)
from carerules.domain.signal import MEASURED_MAX_AGE, Signal


@guarded
class SignalUnit:
    """A unit that a signal of the site may have; outside `low` to `high` nothing is believed."""

    dimension: Dimension
    low: float
    high: float
    example: str

    def read(self, text: object) -> float | None:
        """A bound as the site file writes it; None where it is none."""
        return measured(text, self.dimension)

    def bounds(self, low: object, high: object) -> tuple[float, float]:
        """The bounds of a signal: its own where they can be read, else those of the unit."""
        low_own, high_own = self.read(low), self.read(high)
        return (
            self.low if low_own is None else low_own,
            self.high if high_own is None else high_own,
        )


UNITS_OF_SIGNALS: Mapping[str, SignalUnit] = {
    "%": SignalUnit(CHARGE_LEVEL, 0, 100, "20 %"),
    "V": SignalUnit(VOLTAGE, 0, 1_000, "12 V"),
    "A": SignalUnit(CURRENT, -2_000, 2_000, "2 A"),
    "Ah": SignalUnit(CAPACITY, 0, 5_000, "16 Ah"),
    "Wh": SignalUnit(ENERGY, 0, 1_000_000, "350 Wh"),
    "W": SignalUnit(POWER, -100_000, 100_000, "60 W"),
    "mΩ": SignalUnit(RESISTANCE, 0, 10_000, "5 mΩ"),
    "°C": SignalUnit(TEMPERATURE, -40, 120, "20 °C"),
    "on/off": SignalUnit(SWITCH, 0, 1, "0"),
    "count": SignalUnit(COUNT, 0, 1_000_000_000, "6"),
}
"""The ranges are those of the built-in signals of the same dimension, where there is one."""


def signal_of(name: str, unit: SignalUnit, table: SignalTable) -> Signal:
    """The catalogue's row of a table that was checked."""
    low, high = unit.bounds(table.low, table.high)
    max_age = None if table.kept else round(table.max_age)
    return Signal(f"site.{name}", unit.dimension, max_age, low, high, table.meaning)


def declared(raw: Raw) -> Iterator[Signal]:
    """The signals that a file declares, as far as their units can be read; for checks only."""
    for name, table in named(raw, "signal"):
        unit = UNITS_OF_SIGNALS.get(str(table.get("unit")))
        if unit is not None:
            bounds = unit.bounds(table.get("low"), table.get("high"))
            max_age = None if table.get("kept") is True else MEASURED_MAX_AGE
            yield Signal(f"site.{name}", unit.dimension, max_age, *bounds, name)

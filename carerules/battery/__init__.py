"""What a pack is doing: its charge with its doubt, from voltage, current, energy and entries.

Knows chemistry. Does not know rules, stations or safety.
"""

from carerules.battery.charge import charge_at_rest, relaxation_v, rest_voltage
from carerules.battery.chemistry import Chemistry, read_chemistry, shipped_chemistries
from carerules.battery.drain import (
    CannotCarry,
    ConstantCurrent,
    ConstantPower,
    Curve,
    DrainForecast,
    Load,
    Resistor,
    forecast,
)
from carerules.battery.estimate import (
    Estimate,
    fresh,
    take_energy,
    take_event,
    take_sample,
    take_time,
)

__all__ = [
    "CannotCarry",
    "Chemistry",
    "ConstantCurrent",
    "ConstantPower",
    "Curve",
    "DrainForecast",
    "Estimate",
    "Load",
    "Resistor",
    "charge_at_rest",
    "forecast",
    "fresh",
    "read_chemistry",
    "relaxation_v",
    "rest_voltage",
    "shipped_chemistries",
    "take_energy",
    "take_event",
    "take_sample",
    "take_time",
]

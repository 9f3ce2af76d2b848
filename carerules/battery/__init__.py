"""What a pack is doing: its charge with its doubt, from voltage, current, energy and entries.

Knows chemistry. Does not know rules, stations or safety.
"""

from carerules.battery.ageing import (
    Band,
    Ledger,
    empty_ledger,
    lain,
    stored_cost,
    use_cost,
)
from carerules.battery.charge import (
    read_curve,
    relaxation_v,
    rest_voltage,
    volts_at_charge,
)
from carerules.battery.chemistry import Chemistry, read_chemistry, shipped_chemistries
from carerules.battery.drain import (
    CannotCarry,
    ConstantCurrent,
    ConstantPower,
    Curve,
    DrainForecast,
    Load,
    Resistor,
    curve_v,
    forecast,
)
from carerules.battery.estimate import (
    CHARGED_FULL,
    RATED,
    SAID_FULL,
    Estimate,
    fresh,
    take_energy,
    take_event,
    take_sample,
    take_time,
)
from carerules.battery.health import (
    CellHealth,
    CellsAtRest,
    Health,
    capacity_between,
    judged,
    two_step,
)
from carerules.battery.history import History, metered, no_history, priced, remembered
from carerules.battery.life import LifeCell, read_life_cell, shipped_life_cells
from carerules.battery.measured import FROM_PACK, HIDDEN_POINTS
from carerules.battery.ohm import at_warmth, kept_mohm, warmth
from carerules.battery.outlook import (
    Ahead,
    Figures,
    charge_ahead,
    charger_of,
    drain_ahead,
)
from carerules.battery.recharge import ChargeForecast, Charger, recharge
from carerules.battery.session import (
    EFFICIENCY,
    Habit,
    Session,
    broken_off,
    efficiency_seen,
    standing_by,
)
from carerules.battery.session import heard as session_heard
from carerules.battery.shelf import shelved, turns
from carerules.battery.thermal import AIR_SHARE, Body, body_of, warmed
from carerules.battery.track import METER_HOLD_MAX
from carerules.battery.trend import Crossing, Measured, Trend, slope_band, trend
from carerules.battery.witness import SAG

__all__ = [
    "AIR_SHARE",
    "CHARGED_FULL",
    "EFFICIENCY",
    "FROM_PACK",
    "HIDDEN_POINTS",
    "METER_HOLD_MAX",
    "RATED",
    "SAG",
    "SAID_FULL",
    "Ahead",
    "Band",
    "Body",
    "CannotCarry",
    "CellHealth",
    "CellsAtRest",
    "ChargeForecast",
    "Charger",
    "Chemistry",
    "ConstantCurrent",
    "ConstantPower",
    "Crossing",
    "Curve",
    "DrainForecast",
    "Estimate",
    "Figures",
    "Habit",
    "Health",
    "History",
    "Ledger",
    "LifeCell",
    "Load",
    "Measured",
    "Resistor",
    "Session",
    "Trend",
    "at_warmth",
    "body_of",
    "broken_off",
    "capacity_between",
    "charge_ahead",
    "charger_of",
    "curve_v",
    "drain_ahead",
    "efficiency_seen",
    "empty_ledger",
    "forecast",
    "fresh",
    "judged",
    "kept_mohm",
    "lain",
    "metered",
    "no_history",
    "priced",
    "read_chemistry",
    "read_curve",
    "read_life_cell",
    "recharge",
    "relaxation_v",
    "remembered",
    "rest_voltage",
    "session_heard",
    "shelved",
    "shipped_chemistries",
    "shipped_life_cells",
    "slope_band",
    "standing_by",
    "stored_cost",
    "take_energy",
    "take_event",
    "take_sample",
    "take_time",
    "trend",
    "turns",
    "two_step",
    "use_cost",
    "volts_at_charge",
    "warmed",
    "warmth",
]

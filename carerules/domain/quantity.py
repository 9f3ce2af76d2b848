"""Numbers with their dimension, and readings with their doubt.

Knows units. Does not know which signal carries which.
Inside the program a number stands in its dimension's base unit: %, V, A, Ah, Wh, W, mΩ, °C,
milliseconds, and per day for a rate. Units other than these exist in text only.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from enum import IntEnum
from math import sqrt
from typing import Literal, TypeAlias

from carerules.domain.frozen import frozen
from carerules.domain.moment import DAY, HOUR, MINUTE, NEVER, SECOND, WEEK, Moment, show_duration


class Truth(IntEnum):
    """Strong Kleene truth: *and* is the least, *or* the greatest, *not* the mirror."""

    NO = 0
    UNKNOWN = 1
    YES = 2

    def negated(self) -> Truth:
        """Not: yes and no change places, unknown stays."""
        return _NEGATED[self]


_NEGATED = (Truth.YES, Truth.UNKNOWN, Truth.NO)


@frozen
class Dimension:
    """What kind of number this is; two numbers compare only within one dimension."""

    name: str
    unit: str
    per_day: bool = False

    def rate(self) -> Dimension:
        """The dimension of a slope over time, in base units a day."""
        return Dimension(f"{self.name} per time", f"{self.unit}/d", per_day=True)


CHARGE_LEVEL = Dimension("share", "%")
VOLTAGE = Dimension("voltage", "V")
CURRENT = Dimension("current", "A")
CAPACITY = Dimension("capacity", "Ah")
ENERGY = Dimension("energy", "Wh")
POWER = Dimension("power", "W")
RESISTANCE = Dimension("resistance", "mΩ")
TEMPERATURE = Dimension("temperature", "°C")
WARMTH = Dimension("temperature difference", "K")
DURATION = Dimension("duration", "ms")
COUNT = Dimension("count", "")
SWITCH = Dimension("switch", "on/off")
C_RATE = Dimension("rate of charge", "C")
LIFE_COST = Dimension("share a month", "%/month")
"""Capacity lost, in percent of it, for each month of thirty days."""


@frozen
class Unit:
    """A unit as written: base value = written * factor + offset."""

    symbol: str
    dimension: Dimension
    factor: float = 1.0
    offset: float = 0.0


UNITS: dict[str, Unit] = {
    unit.symbol: unit
    for unit in (
        Unit("%", CHARGE_LEVEL),
        Unit("V", VOLTAGE), Unit("mV", VOLTAGE, 1e-3),
        Unit("A", CURRENT), Unit("mA", CURRENT, 1e-3),
        Unit("Ah", CAPACITY), Unit("mAh", CAPACITY, 1e-3),
        Unit("Wh", ENERGY), Unit("W", POWER),
        Unit("mΩ", RESISTANCE), Unit("Ω", RESISTANCE, 1e3),
        Unit("°C", TEMPERATURE), Unit("°F", TEMPERATURE, 5 / 9, -160 / 9),
        Unit("K", WARMTH),
        Unit("s", DURATION, SECOND), Unit("min", DURATION, MINUTE), Unit("h", DURATION, HOUR),
        Unit("d", DURATION, DAY), Unit("wk", DURATION, WEEK),
        Unit("C", C_RATE),
    )
}  # fmt: skip
"""The canonical spellings."""

SPELLINGS: dict[str, str] = {
    "degC": "°C", "degF": "°F", "mohm": "mΩ", "mOhm": "mΩ", "ohm": "Ω", "Ohm": "Ω",
    "sec": "s", "mins": "min", "minute": "min", "minutes": "min", "hr": "h", "hrs": "h",
    "hour": "h", "hours": "h", "day": "d", "days": "d", "week": "wk", "weeks": "wk",
    "second": "s", "seconds": "s", "percent": "%",
}  # fmt: skip
"""Other spellings that are taken, and the canonical one each stands for."""


def unit_named(spelling: str) -> Unit | None:
    """The unit written so, canonical or not; `mV/d` and `%/wk` are rates, in base units a day."""
    if spelling == LIFE_COST.unit:
        return Unit(spelling, LIFE_COST)
    whole, slash, per = spelling.partition("/")
    unit = UNITS.get(SPELLINGS.get(whole, whole))
    if not slash or unit is None:
        return unit if not slash else None
    time = UNITS.get(SPELLINGS.get(per, per))
    if time is None or time.dimension != DURATION or unit.dimension in (DURATION, C_RATE):
        return None
    # A difference of temperatures has no zero point, so that K and °C are one step.
    dimension = TEMPERATURE if unit.dimension == WARMTH else unit.dimension
    return Unit(spelling, dimension.rate(), unit.factor * DAY / time.factor)


@frozen
class Quantity:
    """A number in its dimension's base unit."""

    value: float
    dimension: Dimension

    def show(self) -> str:
        """Canonical text: `95 %`, `24 h`, `30 mV`, `3.4 V`, `on`."""
        return show(self.value, self.dimension)


_WRITTEN = re.compile(r"\s*([+-]?\d{1,9}(?:\.\d{1,9})?)\s*(\S{0,8})\s*")


def read_quantity(text: str, dimension: Dimension) -> Quantity | str:
    """`16 Ah` as a quantity of the dimension; a bare number takes its base unit.

    What does not fit comes back as a sentence: what was found and what was wanted.
    A bare duration is refused: nobody means milliseconds.
    """
    wanted = f"a number with a unit of {dimension.name}, such as `{_SAMPLE.get(dimension, '1')}`"
    match = _WRITTEN.fullmatch(text)
    if match is None:
        return f"found `{text[:40]}`, wanted {wanted}"
    number, spelling = float(match[1]), match[2]
    if not spelling and dimension != DURATION:
        return Quantity(number, dimension)
    unit = unit_named(spelling)
    if unit is None or unit.dimension != dimension:
        return f"found `{text[:40]}`, wanted {wanted}"
    return Quantity(number * unit.factor + unit.offset, dimension)


_SAMPLE = {
    CHARGE_LEVEL: "80 %", VOLTAGE: "3.4 V", CURRENT: "2 A", CAPACITY: "16 Ah", ENERGY: "350 Wh",
    POWER: "60 W", RESISTANCE: "5 mΩ", TEMPERATURE: "25 °C", DURATION: "20 min", COUNT: "6",
    LIFE_COST: "0.4 %/month",
}  # fmt: skip


def show(value: float, dimension: Dimension) -> str:
    """A base-unit number as a person writes it."""
    if dimension == DURATION:
        return "longer than any time" if value >= NEVER else show_duration(round(value))
    if dimension == SWITCH:
        return "on" if value else "off"
    if dimension == COUNT:
        return f"{value:.10g}"
    if dimension in (VOLTAGE, CURRENT, VOLTAGE.rate()) and value and abs(value) < 0.1:
        return f"{value * 1e3:.3g} m{dimension.unit}"
    digits = 5 if dimension == VOLTAGE else 4
    text = f"{value:.{digits}g}"
    return f"{value:.0f} {dimension.unit}" if "e+" in text else f"{text} {dimension.unit}"


def show_read(value: float, dimension: Dimension) -> str:
    """As `show`, for what was read off: volts to the hundredth at least, as meters show them, so
    that 15.20 V does not look like a reading to the tenth."""
    text = show(value, dimension)
    number, _, unit = text.partition(" ")
    if unit == VOLTAGE.unit and len(number.partition(".")[2]) < 2:
        return f"{value:.2f} {unit}"
    return text


def no_finer(value: float, spread: float) -> float:
    """A value as it is to be shown beside its spread (both in base units): to the place at which
    two figures of the spread end (JCGM 100:2008, 7.2.6), for what is finer nobody knows."""
    if not spread:
        return value
    written = f"{two_figures(spread):.15f}".rstrip("0")
    return round(value, len(written.partition(".")[2]))


def two_figures(spread: float) -> float:
    """A spread as it is shown: more would say that a doubt is known to the thousandth."""
    return float(f"{spread:.2g}")


@frozen
class Widening:
    """How a doubt grows by itself while nothing is heard: by `rate` (1 sigma, base units a
    millisecond) for all the time from `since` on, beside every other doubt, up to `most`. A spread
    has in it what has grown before it was told.
    """

    rate: float
    since: Moment
    most: float

    def after(self, spread: float, at: Moment, moment: Moment) -> float:
        """What a spread of `at` has come to by a later moment; independent errors add squared."""
        if moment <= at:
            return spread
        grown = self.rate * self.rate * (moment - at) * (moment + at - 2 * self.since)
        return max(spread, min(self.most, sqrt(spread * spread + grown)))


@frozen
class Known:
    """A reading: value and spread (1 sigma) in base units, when it was true, and who said so.

    Between samples it moves by `slope` (base units a millisecond): 1 for a time since something,
    -1 for a time until something, a little below 0 for the charge of a pack on the shelf. Its
    spread grows meanwhile as `widens` says; None: it does not.
    """

    value: float
    spread: float
    at: Moment
    source: str
    slope: float = 0.0
    widens: Widening | None = None

    def value_at(self, moment: Moment) -> float:
        """The value at a later moment, along the slope."""
        return self.value + self.slope * (moment - self.at) if self.slope else self.value

    def spread_at(self, moment: Moment) -> float:
        """The spread (1 sigma) at a later moment, though nothing was heard since."""
        if self.widens is None:
            return self.spread
        return self.widens.after(self.spread, self.at, moment)

    def shown_at(self, moment: Moment) -> float:
        """As `value_at`, for people: what runs down by itself ends at nothing, not below."""
        value = self.value_at(moment)
        return max(0.0, value) if self.slope < 0 else value


WhyUnknown: TypeAlias = Literal[
    "never seen",
    "stale",
    "implausible",
    "used since the last reading",
    "not on a station",
    "its rest voltage does not show it",
]


@frozen
class Unknown:
    """No value, and the reason."""

    why: WhyUnknown


Reading: TypeAlias = Known | Unknown


def median(values: Iterable[float]) -> float:
    """The middle one of at least one value; of an even number, halfway between the middle two.

    As `statistics.median`, whose module brings decimals, fractions and random numbers with it into
    every command.
    """
    ordered = sorted(values)
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2

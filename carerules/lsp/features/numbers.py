"""Numbers with their units as one says them: `24 h` is one day.

Knows units. Does not know what is measured.
"""

from __future__ import annotations

import re

from carerules.domain.frozen import guarded
from carerules.domain.moment import DAY, HOUR, MINUTE, SECOND, WEEK, Duration
from carerules.domain.quantity import (
    C_RATE,
    DURATION,
    TEMPERATURE,
    UNITS,
    WARMTH,
    Unit,
    unit_named,
)

_WORDS = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven",
    "twelve",
)  # fmt: skip

_NAMES = {
    "%": "percent", "V": "volt", "mV": "millivolt", "A": "ampere", "mA": "milliampere",
    "Ah": "ampere-hour", "mAh": "milliampere-hour", "Wh": "watt-hour", "W": "watt",
    "mΩ": "milliohm", "Ω": "ohm", "°C": "degree Celsius", "°F": "degree Fahrenheit", "K": "kelvin",
    "s": "second", "min": "minute", "h": "hour", "d": "day", "wk": "week", "C": "C",
}  # fmt: skip
_PLURAL_AS_IT_IS = frozenset({"%", "K", "C"})
_PLURALS = {"°C": "degrees Celsius", "°F": "degrees Fahrenheit"}

_LADDER = ((DAY, "d"), (HOUR, "h"), (MINUTE, "min"), (SECOND, "s"))

_NUMBER = r"[+\-−]?\d{1,9}(?:\.\d{1,9})?"
_UNIT = r"%/[^\W\d]+|%|°?[^\W\d]+(?:/[^\W\d]+)?"
PIECE = re.compile(rf"({_NUMBER})[ \t]*({_UNIT})?")
CLOCK = re.compile(r"(\d{1,2}):(\d\d)(?:\s*-\s*(\d{1,2}):(\d\d))?")


@guarded
class Number:
    """A number as it stands in a row: `pieces` are its numbers with their units, empty for none."""

    start: int
    end: int
    pieces: tuple[tuple[str, str], ...]


def numbers_in(row: str) -> list[Number]:
    """The numbers of a row of rule text; a time of several pieces is one. Clock times are none."""
    clocks = [(one.start(), one.end()) for one in CLOCK.finditer(row)]
    found: list[Number] = []
    for match in PIECE.finditer(row):
        start = match.start()
        if start and re.match(r"[\w.]", row[start - 1]):
            continue
        if any(first <= start < last for first, last in clocks):
            continue
        known = match[2] is not None and unit_named(match[2]) is not None
        end = match.end() if known else match.end(1)
        piece = (match[1].replace("−", "-"), match[2] if known else "")
        last = found[-1] if found else None
        if known and last is not None and last.pieces[0][1] and not row[last.end : start].strip():
            found[-1] = Number(last.start, end, (*last.pieces, piece))
        else:
            found.append(Number(start, end, (piece,)))
    return found


def said(number: str, unit: str) -> str:
    """`95 percent`, `three millivolts a day`; empty for a unit that is none."""
    known = unit_named(unit)
    if known is None:
        return ""
    whole, _, per = unit.partition("/")
    symbol = _canonical(whole)
    plain = float(number)
    text = f"{_count(plain)} {_unit(symbol, plain)}"
    return f"{text} a {_NAMES[_canonical(per)]}" if per else text


def in_words(pieces: tuple[tuple[str, str], ...]) -> str:
    """A number as it is said, and what it comes to in other units; empty where a unit is none."""
    units = [unit_named(unit) for _, unit in pieces]
    if not pieces or any(unit is None for unit in units):
        return ""
    first = units[0]
    assert first is not None
    if first.dimension == DURATION:
        total = sum(float(n) * u.factor for (n, _), u in zip(pieces, units, strict=True) if u)
        return time_in_words(round(total))
    number, unit = pieces[0]
    also = _also(float(number), first)
    return said(number, unit) + (f", {also}" if also else "")


def time_in_words(time: Duration) -> str:
    """`one day`, `two weeks`, `one hour and 30 minutes`: the two largest units that matter."""
    if time <= 0:
        return "no time"
    if time % WEEK == 0:
        return f"{_count(time // WEEK)} {_unit('wk', time // WEEK)}"
    parts: list[str] = []
    for size, symbol in _LADDER:
        many, time = divmod(time, size)
        if many:
            parts.append(f"{_count(many)} {_unit(symbol, many)}")
    if not parts:
        return "less than a second"
    return " and ".join(parts[:2])


def clock_in_words(hour: int, minute: int) -> str:
    """`ten in the evening`, `half past six in the morning`, `midnight`."""
    if (hour, minute) in ((0, 0), (12, 0)):
        return "midnight" if hour == 0 else "noon"
    part = (
        "at night" if hour < 5 or hour >= 23 else "in the morning" if hour < 12
        else "in the afternoon" if hour < 18 else "in the evening"
    )  # fmt: skip
    spoken = _WORDS[(hour - 1) % 12 + 1]
    if minute == 0:
        return f"{spoken} {part}"
    if minute == 30:
        return f"half past {spoken} {part}"
    minutes = _WORDS[minute] if minute < len(_WORDS) else str(minute)
    return f"{minutes} minute{'s' * (minute != 1)} past {spoken} {part}"


def _canonical(spelling: str) -> str:
    unit = unit_named(spelling)
    assert unit is not None
    return unit.symbol


def _count(number: float) -> str:
    if number == int(number) and 1 <= number < len(_WORDS):
        return _WORDS[int(number)]
    return f"{number:.10g}"


def _unit(symbol: str, number: float) -> str:
    name = _NAMES[symbol]
    if abs(number) == 1 or symbol in _PLURAL_AS_IT_IS:
        return name
    return _PLURALS.get(symbol, f"{name}s")


def _also(number: float, unit: Unit) -> str:
    """What it comes to in the base unit, or in the other scale of temperature."""
    base = number * unit.factor + unit.offset
    if unit.dimension == C_RATE:
        if not number > 0:
            return ""
        return f"which is the whole capacity in {time_in_words(round(HOUR / number))}"
    if unit.dimension == TEMPERATURE:
        other = UNITS["°F" if unit.symbol == "°C" else "°C"]
        return f"{(base - other.offset) / other.factor:.4g} {other.symbol}"
    if unit.factor == 1 or unit.dimension == WARMTH or unit.dimension.per_day:
        return ""
    return f"{base:.6g} {unit.dimension.unit}"

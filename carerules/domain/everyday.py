"""Quantities as people write them who do not know our units: in words, with commas, in any case.

Knows units. Nothing of it is ever taken: it is only said, as what was probably meant.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from carerules.domain.quantity import SPELLINGS, UNITS, Dimension, Unit, read_quantity

_OTHER: Mapping[str, str] = {
    "ah": "Ah", "amphour": "Ah", "amphours": "Ah", "amperehour": "Ah", "amperehours": "Ah",
    "ahr": "Ah", "amperestunden": "Ah", "amperesheures": "Ah",
    "milliamphour": "mAh", "milliamphours": "mAh", "milliamperehours": "mAh", "mahr": "mAh",
    "milliamperestunden": "mAh", "ma": "mAh",
    "volt": "V", "volts": "V", "millivolt": "mV", "millivolts": "mV",
    "watt": "W", "watts": "W",
    "c": "°C", "celsius": "°C", "degreescelsius": "°C", "degreesc": "°C", "gradcelsius": "°C",
    "f": "°F", "fahrenheit": "°F", "degreesfahrenheit": "°F", "degreesf": "°F",
    "secs": "s", "sekunden": "s", "secondes": "s", "m": "min", "minuten": "min",
    "stunde": "h", "stunden": "h", "heure": "h", "heures": "h",
    "tag": "d", "tage": "d", "jour": "d", "jours": "d", "woche": "wk", "wochen": "wk",
    "pct": "%", "prozent": "%",
}  # fmt: skip
"""Units as they are also written, in small letters and without blanks; `ma` is what people write
for a capacity, and stands for it alone."""

_NUMBER = re.compile(r"\s*([+-]?\d[\d.,_']*)\s*(.*?)\s*")
THOUSANDS = re.compile(r"[+-]?\d{1,3}([,.']\d{3})+")


def quantity_meant(text: str, dimension: Dimension, bare: str = "") -> str:
    """The text as a quantity of the dimension is written; empty where nobody can tell. `bare`: the
    unit of a number without one."""
    match = _NUMBER.fullmatch(text)
    if match is None:
        return ""
    number, unit = match[1].replace("_", ""), match[2]
    if "," in number or "'" in number:
        if THOUSANDS.fullmatch(number) or number.count(",") > 1 or "." in number:
            return ""  # `16,000` is sixteen to some, and sixteen thousand to others
        number = number.replace(",", ".")
    symbol, factor = _unit(unit, dimension) if unit else (bare, 1.0)
    if symbol and factor != 1.0:
        number = f"{float(number) * factor:g}"
    said = f"{number} {symbol}"
    return said if symbol and not isinstance(read_quantity(said, dimension), str) else ""


def _unit(written: str, dimension: Dimension) -> tuple[str, float]:
    """The symbol of the unit meant, and by how much its number is to be multiplied."""
    folded = re.sub(r"[\s.·*_-]", "", written).casefold()
    ours = {symbol.casefold(): symbol for symbol in (*UNITS, *SPELLINGS)}
    for word, factor in ((folded, 1.0), (folded.removeprefix("k"), 1_000.0)):
        for symbol in (ours.get(word, ""), _OTHER.get(word, "")):
            unit: Unit | None = UNITS.get(SPELLINGS.get(symbol, symbol))
            if unit is not None and unit.dimension == dimension:
                return unit.symbol, factor
    return "", 1.0

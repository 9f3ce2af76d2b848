"""What a value of a site file was probably meant to say, where it is written as people do.

Knows units in words and in the wrong case, commas, `6S`, dates in another order. Does not know any
key. Nothing of it is ever taken: it is only said, as a mend.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from carerules.domain.everyday import quantity_meant
from carerules.domain.quantity import CAPACITY, Dimension

BIG_AH = 100.0  # a bare number from here on is more likely in mAh: few packs have 100 Ah


def quantity_mend(value: object, dimension: Dimension, example: str) -> str:
    """The mend for a value that is no quantity of the dimension; empty where there is none."""
    text = str(value) if isinstance(value, int | float) and not isinstance(value, bool) else value
    if not isinstance(text, str) or len(text) > 40:
        return ""
    if dimension == CAPACITY and re.search(r"\d\s*k?[wW][hH]\s*$", text):
        return "divide the Wh by the volts on the label: that is Ah"
    said = quantity_meant(text, dimension, example.rsplit(maxsplit=1)[-1])
    if not said:
        comma = re.search(r"\d[,']\d", text)
        return "a point begins the fraction; thousands have none" if comma else ""
    if dimension == CAPACITY and re.fullmatch(r"\s*[\d.]+\s*", text) and float(text) >= BIG_AH:
        return f'write `"{text.strip()} mAh"` or `"{text.strip()} Ah"`, as the label says'
    return f'write `"{said}"`, if that is meant'


_ADDRESS = re.compile(
    r"\s*(?:[a-z]+://)?(?:[^@/\s]*@)?(?:\[([0-9A-Fa-f:]+)\]|([A-Za-z0-9._-]+))(?::(\d{1,5}))?(?:/\S*)?\s*"
)


def host_mend(value: str) -> str:
    """The mend for a URL, or a host with its port, where a host alone is wanted."""
    match = _ADDRESS.fullmatch(value)
    if match is None:
        return 'such as `"127.0.0.1"`'
    port = f" and `port = {int(match[3])}`" if match[3] else ""
    return f'write `host = "{match[1] or match[2]}"`{port}'


# ---- other kinds -------------------------------------------------------------------------------

_SERIES = re.compile(r"\s*(\d{1,3})\s*(?:[sS]\s*(?:(\d{1,3})\s*[pP])?)?\s*")
_YES = {"true": "true", "yes": "true", "on": "true", "1": "true",
        "false": "false", "no": "false", "off": "false", "0": "false"}  # fmt: skip


def value_meant(value: object, schema: Mapping[str, Any]) -> str:
    """The value as it is written in TOML where the schema asks for another kind; empty where
    nobody can tell."""
    match schema.get("type"):
        case "integer":
            return _whole(value, schema)
        case "boolean":
            return _YES.get(str(value).casefold(), "")
        case "string" if schema.get("format") == "date":
            day = _day(value)
            return "" if day is None else day.isoformat()
        case "string" if schema.get("format") == "date-time":
            return _instant(value)
        case "string":
            return _text(value)
        case _:
            return ""


def _whole(value: object, schema: Mapping[str, Any]) -> str:
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        value = str(int(value))
    match = _SERIES.fullmatch(value) if isinstance(value, str) else None
    if match is None and isinstance(value, str) and re.fullmatch(r"\s*\d{1,6}\s*", value):
        number = int(value)
    elif match is not None:
        number = int(match[1])
    else:
        return ""
    low, high = schema.get("minimum", 0), schema.get("maximum", number)
    return str(number) if low <= number <= high else ""


def _day(value: object) -> date | None:
    """The day; in another order only where no other day can be meant."""
    if isinstance(value, datetime):
        return value.date()
    match = re.fullmatch(r"\s*(\d{1,4})([./-])(\d{1,2})\2(\d{1,4})\s*", str(value))
    if match is None:
        return None
    first, sign, second, third = int(match[1]), match[2], int(match[3]), int(match[4])
    if first > 31:
        order = (first, second, third)
    elif sign == "." or first > 12:
        order = (third, second, first)  # a point stands behind a day, not behind a month
    elif second > 12:
        order = (third, first, second)
    else:
        return None
    try:
        return date(*order)
    except ValueError:
        return None


def _instant(value: object) -> str:
    if isinstance(value, date) and not isinstance(value, datetime):
        return f"{value.isoformat()}T08:00:00"
    text = value.strip().replace(" ", "T", 1) if isinstance(value, str) else ""
    text += ":00" if re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d", text) else ""
    try:
        return datetime.fromisoformat(text).isoformat() if "T" in text else ""
    except ValueError:
        return ""


def _text(value: object) -> str:
    match value:
        case [str() as one]:
            return f'"{one}"' if one.isprintable() and '"' not in one else ""
        case int() if not isinstance(value, bool) and abs(value) < 1e15:
            return f'"{value}"'
        case _:
            return ""

"""Words of a manual entry, read at the door: `heron charged`, `heron voltage 15.0`.

Knows how entries are typed and what a hand meter is good for. Does not know when they are read.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from math import sqrt

from carerules.adapters.entry import Attend, Entry, Measured, Place, Recorded, Release, UseAdd
from carerules.adapters.moments import read_future, read_past
from carerules.adapters.problem import Problem, quoted
from carerules.domain.event import Value
from carerules.domain.everyday import quantity_meant
from carerules.domain.frozen import guarded
from carerules.domain.moment import MINUTE
from carerules.domain.pack import Pack, Site
from carerules.domain.quantity import (
    CAPACITY,
    CHARGE_LEVEL,
    DURATION,
    TEMPERATURE,
    VOLTAGE,
    Dimension,
    read_quantity,
    show,
)
from carerules.domain.spelling import alike, counted

# What a person's instrument is good for, one sigma. All: common practice, no source.
HAND_METER_V_A_CELL = 0.02  # a hand meter of 0.5 % and a few digits, at about 4 V a cell
CELL_CHECKER_V = 0.01  # a checker on the balance lead; its last digit is 1 to 5 mV
GAUGE_POINTS = 5.0  # a fuel gauge, or a charger's display
THERMOMETER_C = 2.0  # a stick-on or infrared thermometer on the wrapper
CAPACITY_SHARE = 0.05  # a charger's count over a full cycle

BARS_MAX = 20
"""More would be a gauge that shows a number."""

CELL_V_MIN = 0.5
"""Below it the lead is off or the pack is not this one. A ruined cell at 1 V must be recordable."""

OVER_CEILING_V = 0.3
"""An overcharged cell must be recordable; further above its ceiling it is another pack."""

FAHRENHEIT_FROM, FAHRENHEIT_TO = 59.0, 95.0
"""15 to 35 °C in °F: a bare number from here is asked for its unit, as a room may be meant."""

WORDS_MAX = 64
ATTEND_MINUTES_MAX = 12 * 60  # nobody stays longer without saying so again
USE_NAME_CHARS_MAX = 60

HAPPENINGS: Mapping[str, tuple[str, ...]] = {
    "charged": ("charge", "full"),
    "used": ("use",),
    "swelling": ("swelling",),
    "inspected": ("inspection",),
    "calibrated": ("calibration",),
}
"""What a word records, of `domain.condition.PERSON_EVENTS`, in the order that they are told."""


@guarded
class _Measure:
    signal: str
    dimension: Dimension
    low: float
    high: float
    spread: Callable[[float], float]


_MEASURES: Mapping[str, _Measure] = {
    "soc": _Measure("pack.soc", CHARGE_LEVEL, 0, 100, lambda _: GAUGE_POINTS),
    "temperature": _Measure("pack.temperature", TEMPERATURE, -40, 120, lambda _: THERMOMETER_C),
    "capacity": _Measure("pack.capacity", CAPACITY, 0.001, 5_000, lambda ah: CAPACITY_SHARE * ah),
}

RECORD_BOUNDS: Mapping[str, Callable[[Pack], tuple[float, float, float]]] = {
    "soc": lambda _: (0.0, 100.0, 1.0),
    "voltage": lambda pack: (
        round(pack.cells * CELL_V_MIN, 2),
        round(pack.cells * (pack.limits.cell_v_ceiling + OVER_CEILING_V), 2),
        0.01,
    ),
    "temperature": lambda _: (-40.0, 120.0, 0.5),
    "capacity": lambda pack: (0.01, round(1.5 * pack.capacity_ah, 2), 0.01),
}
"""Lowest, highest and step of what is read off by hand, for a form that asks for it; `parse_record`
has the last word."""

_SAID = {
    "full": "charged", "flown": "used", "swollen": "swelling", "puffed": "swelling",
    "looked": "inspected", "checked": "inspected", "volts": "voltage", "v": "voltage",
    "temp": "temperature", "percent": "soc", "%": "soc", "ah": "capacity",
    "geladen": "charged", "chargé": "charged", "benutzt": "used", "gebläht": "swelling",
    "gonflé": "swelling",
}  # fmt: skip
"""What people say for the words of `RECORD_WORDS`."""

RECORD_WORDS = (*HAPPENINGS, "voltage", "cells", "bars", *_MEASURES)
"""Every word that `parse_record` takes first."""


def parse_record(
    pack: str, words: Sequence[str], at_text: str | None, site: Site, now: datetime
) -> Entry | Problem:
    """What happened to a pack, or was measured at it; `now` is the wall time, aware.

    Units may be left out or joined: `15.0`, `15.0V`, `15.0 V`.
    """
    known = site.packs.get(pack)
    if known is None:
        return _unknown("pack", pack, site.packs)
    at = read_past(at_text, now)
    if isinstance(at, Problem):
        return at
    if not words or len(words) > WORDS_MAX:
        return Problem("no words" if not words else "too many words", _one_of(RECORD_WORDS),
                       f"write for instance `{pack} charged` or `{pack} voltage 15.0`")  # fmt: skip
    word, rest = words[0].lower(), words[1:]
    if word in HAPPENINGS:
        if rest:
            late = rest[0].lower() == "at" and rest[1:]
            mend = f"write `--at {_printed(rest[1:])}`, if that is when" if late else "leave it out"
            return Problem(quoted(" ".join(rest)), f"nothing after `{word}`", mend)
        return Recorded(pack, HAPPENINGS[word], at)
    if word == "voltage":
        return _voltage(known, rest, at)
    if word == "cells":
        return _cells(known, rest, at)
    if word == "bars":
        return _bars(known, rest, at)
    if word in _MEASURES:
        return _measure(known, word, rest, at)
    mend = "one pack at a time" if words[0] in site.packs else _meant(pack, word)
    return Problem(quoted(words[0]), _one_of(RECORD_WORDS), mend)


def _printed(words: Sequence[str]) -> str:
    return quoted(" ".join(words))[1:-1]


def _meant(pack: str, word: str) -> str:
    """The mend for a word that records nothing."""
    if (number := re.match(r"[0-9][0-9.,]{0,11}", word)) is not None:
        return f"say what was read: `{pack} voltage {number[0]}`, or `{pack} soc {number[0]}`"
    close = [word] if word in _SAID else alike(word, RECORD_WORDS) or alike(word, _SAID, least=0.8)
    return (
        f"did you mean `{_SAID.get(close[0], close[0])}`?" if close else "choose one of these words"
    )


def parse_place(pack: str, station: str | None, site: Site) -> Entry | Problem:
    """Put a pack on a station, or (None) take it off."""
    if pack not in site.packs:
        return _unknown("pack", pack, site.packs)
    if station is not None and station not in site.stations:
        return _unknown("station", station, site.stations)
    return Place(pack, station)


def parse_use(
    name: str, start: str, packs: Sequence[str], site: Site, now: datetime
) -> Entry | Problem:
    """Plan a use of some packs."""
    if not name.strip() or len(name) > USE_NAME_CHARS_MAX or not name.isprintable():
        found = quoted(name) if name.strip() else "nothing"
        return Problem(found, f"a name of 1 to {USE_NAME_CHARS_MAX} characters",
                       "give the use a short name, such as `survey`")  # fmt: skip
    if not packs:
        return Problem("no packs", "at least one pack", "name the packs after the time")
    for pack in packs:
        if pack not in site.packs:
            return _unknown("pack", pack, site.packs)
    begins = read_future(start, now)
    return begins if isinstance(begins, Problem) else UseAdd(name, begins, frozenset(packs))


def parse_attend(minutes: str, now: datetime) -> Entry | Problem:
    """Somebody stays with the packs, from now on."""
    written = minutes.strip().lower().removesuffix("min").rstrip()
    if not re.fullmatch(r"[0-9]{1,4}", written) or not 1 <= int(written) <= ATTEND_MINUTES_MAX:
        found = quoted(minutes) if minutes.strip() else "nothing"
        number = _minutes_meant(written)
        mend = f"write `{number}`" if 1 <= number <= ATTEND_MINUTES_MAX else "write whole minutes"
        return Problem(found, f"1 to {ATTEND_MINUTES_MAX} minutes",
                       f"{mend}, and say it again if you stay longer")  # fmt: skip
    return Attend(int(written), now)


def _minutes_meant(written: str) -> int:
    """The minutes in `1:30` or `2 hours`; 0 where nobody can tell."""
    if (clock := re.fullmatch(r"(\d{1,2}):(\d\d)", written)) is not None:
        return 60 * int(clock[1]) + int(clock[2])
    read = read_quantity(quantity_meant(written, DURATION), DURATION)
    return 0 if isinstance(read, str) else round(read.value / MINUTE)


def parse_release(what: str, site: Site) -> Entry | Problem:
    """Somebody has looked at a pack, a station, or (`site`) everything."""
    if what == "site" or what in site.packs or what in site.stations:
        return Release(what)
    return _unknown("pack or station", what, {**site.packs, **site.stations, "site": site})


def _voltage(pack: Pack, rest: Sequence[str], at: datetime) -> Entry | Problem:
    volts = _number(" ".join(rest), VOLTAGE, "voltage 15.0")
    if isinstance(volts, Problem):
        return volts
    low, high = pack.cells * CELL_V_MIN, pack.cells * (pack.limits.cell_v_ceiling + OVER_CEILING_V)
    if not low <= volts <= high:
        return Problem(
            f"`{show(volts, VOLTAGE)}`",
            f"{show(low, VOLTAGE)} to {show(high, VOLTAGE)} for the "
            f"{counted(pack.cells, 'cell')} of `{pack.name}`",
            "look whether it is this pack; one cell's voltage is recorded with `cells`",
        )
    limits = pack.limits
    one_cell = limits.cell_v_harm <= volts <= limits.cell_v_ceiling + OVER_CEILING_V
    if one_cell and volts < pack.cells * limits.cell_v_harm / 2:
        return Problem(
            f"`{show(volts, VOLTAGE)}`",
            f"the voltage of {counted(pack.cells, 'cell')} of `{pack.name}`",
            "this looks like one cell's: record each of them with `cells`",
        )
    spread = HAND_METER_V_A_CELL * pack.cells
    return Measured(pack.name, at, (Value("pack.voltage", volts, spread),))


def _cells(pack: Pack, rest: Sequence[str], at: datetime) -> Entry | Problem:
    # `3.75 V 3.75 V` comes in as four words: a unit standing alone belongs to the number before.
    written: list[str] = []
    for word in rest:
        if written and re.fullmatch(r"m?V", word):
            written[-1] += word
        else:
            written.append(word)
    if len(written) != pack.cells:
        return Problem(
            counted(len(written), "value"), f"{pack.cells}, one for each cell of `{pack.name}`",
            f"write `cells` and {pack.cells} voltages with spaces between",
        )  # fmt: skip
    high = pack.limits.cell_v_ceiling + OVER_CEILING_V
    cells: list[float] = []
    for word in written:
        volts = _number(word, VOLTAGE, "cells 3.75 3.76 3.75")
        if isinstance(volts, Problem):
            return volts
        if not 0 <= volts <= high:
            return Problem(f"`{show(volts, VOLTAGE)}`", f"0 V to {show(high, VOLTAGE)} a cell",
                           "look whether it is this pack, and one cell at a time")  # fmt: skip
        cells.append(volts)
    return Measured(pack.name, at, (), tuple(cells), CELL_CHECKER_V)


def _bars(pack: Pack, rest: Sequence[str], at: datetime) -> Entry | Problem:
    """`bars 3 of 4`: so many are lit, and the charge lies anywhere in the last of them."""
    read = re.fullmatch(r"([0-9]{1,2})(?: of |/)([0-9]{1,2})", " ".join(rest).lower())
    lit, of = (int(read[1]), int(read[2])) if read else (0, 0)
    if not 2 <= of <= BARS_MAX or lit > of:
        return Problem(quoted(" ".join(rest)), f"how many are lit, of 2 to {BARS_MAX}",
                       "write for instance `bars 3 of 4`")  # fmt: skip
    width = 100 / of
    # None lit is the lower half of the first.
    middle = (lit - 0.5) * width if lit else 0.25 * width
    return Measured(pack.name, at, (Value("pack.soc", middle, width / sqrt(12)),))


def _measure(pack: Pack, word: str, rest: Sequence[str], at: datetime) -> Entry | Problem:
    measure = _MEASURES[word]
    example = {"soc": "soc 80", "temperature": "temperature 21", "capacity": "capacity 14.8"}[word]
    number = _number(" ".join(rest), measure.dimension, example)
    if isinstance(number, Problem):
        return number
    bare = re.fullmatch(r"[0-9.]+", "".join(rest)) is not None
    if word == "temperature" and bare and FAHRENHEIT_FROM <= number <= FAHRENHEIT_TO:
        return Problem(f"`{number:g}`", "a temperature with its unit",
                       f"write `{number:g} °C` or `{number:g} °F`")  # fmt: skip
    if word == "soc" and bare and 0 < number < 1:
        # A gauge that shows a part of one: taken as it stands, a pack nearly full is an empty one.
        mend = f"write `{100 * number:g} %`, or `{number:g} %` if so little is left"
        return Problem(f"`{number:g}`", "a charge with its unit", mend)
    low, high = measure.low, measure.high
    if word == "capacity":
        # A new pack may hold a little more than its label, never half as much again.
        high = 1.5 * pack.capacity_ah
    if not low <= number <= high:
        return Problem(
            f"`{show(number, measure.dimension)}`",
            f"{show(low, measure.dimension)} to {show(high, measure.dimension)}",
            f"write `{number:g} mAh`, if that is meant"
            if word == "capacity" and low <= number / 1_000 <= high
            else "look at the number and its unit",
        )
    return Measured(pack.name, at, (Value(measure.signal, number, measure.spread(number)),))


def _number(text: str, dimension: Dimension, example: str) -> float | Problem:
    if not text.strip():
        return Problem("nothing", f"a {dimension.name}", f"write for instance `{example}`")
    if "," in text:
        # `3,75` may be 3.75 or two values: refused, because a wrong guess is ten times off.
        return Problem(quoted(text), "a decimal point", f"write {quoted(text.replace(',', '.'))}")
    read = read_quantity(text, dimension)
    if isinstance(read, str):
        said = quantity_meant(text, dimension)
        mend = f"write `{said}`" if said else f"write for instance `{example}`"
        return Problem(quoted(text), read.partition("wanted ")[2], mend)
    return read.value


def _unknown(what: str, name: str, known: Mapping[str, object]) -> Problem:
    return Problem(quoted(name), f"a {what} of the site file", f"it has {_one_of(sorted(known))}")


def _one_of(names: Sequence[str]) -> str:
    shown = [quoted(name) for name in names[:12]]
    return ", ".join(shown) + (f" and {len(names) - 12} more" if len(names) > 12 else "")

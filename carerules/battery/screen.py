"""What of a sample can be true of this pack: the rest is left out, and the reason kept.

Knows how many cells and what chemistry a pack has. Does not know its history.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeAlias

from carerules.battery.chemistry import Chemistry
from carerules.domain.event import A_PERSON, Sample, Value
from carerules.domain.pack import Pack
from carerules.domain.quantity import Known, Reading
from carerules.domain.signal import catalogue
from carerules.domain.spelling import counted

Doubts: TypeAlias = Mapping[str, str]
"""Signal, and why what was last sent for it was left out or not quite believed."""

CELLS = "cells"

HARM_SHARE_MIN = 0.5
"""Below half its harm voltage no cell of that chemistry is in the pack: it is another pack, or a
broken lead. Between the two it is believed, so that the interlock sees a ruined cell
(no source)."""

OVER_CEILING_V = 0.15
"""So far above its ceiling a cell is believed, so that the interlock sees an overcharged one (no
source)."""

APART_V = 0.05
"""A pack's voltage and the sum of its cells, V a cell apart: more is two packs, or a bad lead
(no source)."""

CAPACITY_SHARE = (0.1, 1.5)
"""Of what the pack had when new: outside, milli was read as whole or another pack was measured (no
source)."""

FAHRENHEIT_FROM = 59.0
FAHRENHEIT_TO = 95.0
FAHRENHEIT_WITHIN = 3.0
"""15 to 35 °C in °F: what a room reads where the unit was taken for °C. A pack that was never
measured before and comes with such a number is not believed; one that was is not believed only
where that number in °F is what it last showed, within so many kelvin: one that burns goes on.
Judgement, no source."""

_HUGE = 1e9  # of no unit; by definition beyond every reading
_ANY = (-_HUGE, _HUGE, "")
_RANGES = {one.name: (one.low, one.high, one.dimension.unit) for one in catalogue().values()}


def screened(
    pack: Pack, chemistry: Chemistry, sample: Sample, temperature: Reading | None = None
) -> tuple[dict[str, Value], tuple[float, ...], dict[str, str]]:
    """What can be true (values by signal, cells in V), and what cannot with the reason.

    `temperature` is what the pack last showed.
    """
    seen: dict[str, Value] = {}
    wrong: dict[str, str] = {}
    for value in sample.values:
        name, number = value.signal, value.value
        low, high, unit = _RANGES.get(name, _ANY)
        # Written so that NaN fails.
        if not (low <= number <= high and 0.0 <= value.spread < _HUGE):
            found = (
                f"{number:g} ± {value.spread:g} {unit}" if value.spread else f"{number:g} {unit}"
            )
            wrong[name] = f"`{name}`: found `{found}`, wanted {low:g} to {high:g} {unit}"
            continue
        if name == "pack.temperature" and number >= FAHRENHEIT_FROM and sample.source != A_PERSON:
            why = _fahrenheit(number, temperature)
            if why is not None:
                wrong[name] = why
                continue
        if name in _BY_PACK:
            why = _misfit(name, number, pack, chemistry)
            if why is not None:
                wrong[name] = why
                continue
        # Said twice in one sample: which one comes first must not matter.
        seen[name] = value if name not in seen else min(seen[name], value, key=_order)
    cells = sample.cells
    if cells:
        why = _cells_misfit(cells, pack, chemistry)
        if why is None and "pack.voltage" in seen:
            why = _apart(cells, seen["pack.voltage"].value)
            if why is not None:
                wrong["pack.voltage"] = why
                del seen["pack.voltage"]
        if why is not None:
            wrong[CELLS] = why
            cells = ()
    return seen, cells, wrong


_BY_PACK = frozenset({"pack.voltage", "pack.cell.min", "pack.cell.max", "pack.capacity"})


def _order(value: Value) -> tuple[float, float]:
    return value.spread, value.value


def _misfit(name: str, number: float, pack: Pack, chemistry: Chemistry) -> str | None:
    if name == "pack.capacity":
        low, high = (share * pack.capacity_ah for share in CAPACITY_SHARE)
        if low <= number <= high:
            return None
        return f"`{name}`: found `{number:g} Ah`, wanted {low:g} to {high:g} Ah for this pack"
    limits = chemistry.limits
    low, high = HARM_SHARE_MIN * limits.cell_v_harm, limits.cell_v_ceiling + OVER_CEILING_V
    cells = pack.cells if name == "pack.voltage" else 1
    if low * cells <= number <= high * cells:
        return None
    return (
        f"`{name}`: found `{number:g} V`, wanted {low * cells:g} to {high * cells:g} V"
        f" for {cells} x {chemistry.name}"
    )


def _fahrenheit(number: float, before: Reading | None) -> str | None:
    """The scale by definition; a jump of 20 and more is what the two differ by (no source)."""
    celsius = (number - 32) / 1.8
    if isinstance(before, Known):
        if abs(celsius - before.value) > FAHRENHEIT_WITHIN or number - before.value < 20:
            return None
    elif number > FAHRENHEIT_TO:
        return None
    return (
        f"`pack.temperature`: found `{number:g} °C`, which looks like {celsius:.0f} °C sent in °F,"
        " wanted °C; name the unit in the feed's profile"
    )


def _cells_misfit(cells: tuple[float, ...], pack: Pack, chemistry: Chemistry) -> str | None:
    if len(cells) != pack.cells:
        found = counted(len(cells), "cell")
        return f"`{CELLS}`: found {found}, wanted {pack.cells}, as in the site file"
    limits = chemistry.limits
    low, high = HARM_SHARE_MIN * limits.cell_v_harm, limits.cell_v_ceiling + OVER_CEILING_V
    for volts in cells:
        if not low <= volts <= high:
            return f"`{CELLS}`: found `{volts:g} V`, wanted {low:g} to {high:g} V"
    return None


def _apart(cells: tuple[float, ...], pack_v: float) -> str | None:
    total = sum(cells)
    if abs(total - pack_v) <= APART_V * len(cells):
        return None
    return f"`pack.voltage`: found `{pack_v:g} V`, wanted about {total:.4g} V, the sum of the cells"

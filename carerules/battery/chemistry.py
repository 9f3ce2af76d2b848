"""A chemistry: its rest curve, its limits, its typical figures, and where each of them comes from.

Knows the chemistry file. Does not know any pack.
A chemistry file is TOML; `chemistries/` holds those that ship. Adding one there is all it takes.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import pairwise
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from carerules.domain.moment import MINUTE, MONTH
from carerules.domain.pack import Limits
from carerules.shipped import shipped

FILE_CHARS_MAX = 65_536  # a curve of five hundred points with its sources, several times over
POINTS_MAX = 500  # a point each fifth of a percent; measured tables are thinned before
POINTS_MIN = 5  # fewer cannot show a knee


@dataclass(frozen=True, slots=True)
class Chemistry:
    """What one family of cells does at rest, what it is allowed, and what is typical of it.

    `fractions` (0..1) and `volts` (V a cell, 25 °C) are the rest curve, both strictly increasing
    from empty to full; `spreads` (points of charge, 1 sigma) is how far published or measured
    cells of the family lie from it there. `resistance_mohm_ah` is a cell's resistance (mΩ) times
    its capacity (Ah). `charge_efficiency` is the share of a charge (Ah) that comes back.
    `sources` says for each key of the file where its figure comes from.
    """

    name: str
    says: str
    fractions: tuple[float, ...]
    volts: tuple[float, ...]
    spreads: tuple[float, ...]
    limits: Limits
    self_discharge_pct_month: float
    resistance_mohm_ah: float
    charge_efficiency: float
    sources: Mapping[str, str]

    @property
    def shelf_slope(self) -> float:
        """Points of charge a millisecond on the shelf: a little below 0."""
        return -self.self_discharge_pct_month / MONTH


def read_chemistry(text: str, file: str) -> Chemistry | tuple[str, ...]:
    """The chemistry that a file describes, or everything that is wrong with it.

    Each problem is one sentence: the file and key, what was found, what was wanted, the mend.
    """
    if len(text) > FILE_CHARS_MAX:
        return (
            f"{file}: found {len(text)} characters, wanted at most {FILE_CHARS_MAX};"
            " thin out the curve",
        )
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        return (f"{file}: this is not TOML: {_lower(str(error))}; mend the line named",)
    try:
        parsed = _File.model_validate(raw)
    except ValidationError as error:
        return tuple(_shape_problems(error, file))
    problems = tuple(f"{file}: {problem}" for problem in _problems(parsed))
    return problems or _build(parsed)


def shipped_chemistries() -> Mapping[str, Chemistry]:
    """The chemistries that ship with carerules, by name.

    Raises FileNotFoundError when the installation is incomplete, ValueError when a shipped file is
    spoiled or two share a name.
    """
    found: dict[str, Chemistry] = {}
    for entry in sorted(shipped("battery/chemistries").iterdir(), key=lambda entry: entry.name):
        if not entry.name.endswith(".toml"):
            continue
        read = read_chemistry(entry.read_text(encoding="utf-8"), entry.name)
        if not isinstance(read, Chemistry):
            raise ValueError("; ".join(read))
        if read.name in found:
            raise ValueError(f"{entry.name}: found a second chemistry `{read.name}`; rename one")
        found[read.name] = read
    return found


# --- the file's shape -----------------------------------------------------------------------------

_Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=3, max_length=400)]
_Number = Annotated[float, Field(allow_inf_nan=False, strict=True)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _Figure(_Part):
    value: _Number
    source: _Text


class _Rest(_Part):
    source: _Text
    points: tuple[tuple[_Number, _Number, _Number], ...]


class _Limits(_Part):
    cell_v_floor: _Figure
    cell_v_ceiling: _Figure
    cell_v_harm: _Figure
    drain_c_min: _Figure
    drain_c_max: _Figure
    charge_c_min: _Figure
    charge_c_max: _Figure
    soc_floor_pct: _Figure
    rest_before_charge_min: _Figure


class _Typical(_Part):
    self_discharge_pct_month: _Figure
    resistance_mohm_ah: _Figure
    charge_efficiency: _Figure


class _File(_Part):
    name: _Text
    says: _Text
    rest: _Rest
    limits: _Limits
    typical: _Typical


_KEYS = sorted(
    {*_File.model_fields, *_Rest.model_fields, *_Limits.model_fields}
    | {*_Typical.model_fields, *_Figure.model_fields}
)

_WANTED: Mapping[str, tuple[str, str]] = {
    # what pydantic calls it: what was wanted, the mend
    "missing": ("this key", "add it; the shipped files show its form"),
    "string_too_short": ("at least three characters", "say it in words"),
    "string_too_long": ("at most 400 characters", "shorten it"),
    "string_type": ("a text", "put it in double quotes"),
    "float_type": ("a number", "take it out of its quotes"),
    "finite_number": ("a finite number", "write the figure itself"),
    "tuple_type": ("a list", "write `[charge in %, volts a cell, spread in points]`"),
    "too_long": ("three numbers a point", "write `[charge in %, volts a cell, spread in points]`"),
    "model_type": ("a table", 'write `{ value = 1.0, source = "..." }`'),
}


def _shape_problems(error: ValidationError, file: str) -> Iterator[str]:
    for fault in error.errors(include_url=False):
        key = ".".join(str(part) for part in fault["loc"])
        if fault["type"] == "extra_forbidden":
            near = get_close_matches(str(fault["loc"][-1]), _KEYS, n=1)
            mend = f"did you mean `{near[0]}`?" if near else "take it out"
            yield f"{file}: `{key}`: found a key that no chemistry has; {mend}"
            continue
        kind = fault["type"]
        if kind == "missing" and isinstance(fault["loc"][-1], int):
            kind = "too_long"  # a point with fewer than three numbers: the same mend
        wanted, mend = _WANTED.get(kind, (_lower(fault["msg"]), "mend it"))
        found = "nothing" if fault["type"] == "missing" else f"`{_short(fault['input'])}`"
        yield f"{file}: `{key}`: found {found}, wanted {wanted}; {mend}"


def _short(found: object) -> str:
    text = "a table" if isinstance(found, dict) else str(found)
    return " ".join(text.split())[:40]


def _lower(text: str) -> str:
    return (text[:1].lower() + text[1:]).rstrip(".")


# --- what the figures must satisfy ----------------------------------------------------------------

_BOUNDS: Mapping[str, tuple[float, float, str, str]] = {
    # lithium cells of every kind lie well inside: outside, a unit or a whole pack was written
    "cell_v_floor": (0.5, 4.6, "V", "write the voltage of one cell"),
    "cell_v_ceiling": (0.5, 4.6, "V", "write the voltage of one cell"),
    "cell_v_harm": (0.5, 4.6, "V", "write the voltage of one cell"),
    "drain_c_min": (-40, 80, "°C", "write degrees Celsius"),
    "drain_c_max": (-40, 80, "°C", "write degrees Celsius"),
    "charge_c_min": (-40, 80, "°C", "write degrees Celsius"),
    "charge_c_max": (-40, 80, "°C", "write degrees Celsius"),
    "soc_floor_pct": (0, 50, "%", "write the charge below which nothing is drained"),
    "rest_before_charge_min": (0, 1_440, "min", "write minutes"),
    "self_discharge_pct_month": (0, 30, "% a month", "write percent a month"),
    "resistance_mohm_ah": (1, 1_000, "mΩ Ah", "write a cell's mΩ times its Ah"),
    "charge_efficiency": (0.9, 1, "", "write the share of a charge that comes back"),
}

_ORDER = (
    ("cell_v_harm", "cell_v_floor"),
    ("cell_v_floor", "cell_v_ceiling"),
    ("drain_c_min", "drain_c_max"),
    ("charge_c_min", "charge_c_max"),
)


def _problems(parsed: _File) -> Iterator[str]:
    if not re.fullmatch(r"[a-z][a-z0-9-]{0,39}", parsed.name):
        yield (
            f"`name`: found `{_short(parsed.name)}`, wanted small letters, digits and `-`;"
            " rename it"
        )
    figures = _figures(parsed)
    for key, figure in figures.items():
        low, high, unit, mend = _BOUNDS[key]
        if not low <= figure.value <= high:
            wanted = f"{low:g} to {high:g} {unit}".rstrip()
            yield f"`{key}`: found `{figure.value:g}`, wanted {wanted}; {mend}"
    for less, more in _ORDER:
        if figures[less].value >= figures[more].value:
            yield (
                f"`{less}`: found `{figures[less].value:g}`, wanted less than `{more}`,"
                f" {figures[more].value:g}; put the two in order"
            )
    yield from _curve_problems(parsed)


def _curve_problems(parsed: _File) -> Iterator[str]:
    points = parsed.rest.points
    if not POINTS_MIN <= len(points) <= POINTS_MAX:
        yield (
            f"`rest.points`: found {len(points)} points, wanted {POINTS_MIN} to {POINTS_MAX};"
            " add or thin out points"
        )
        return
    if (points[0][0], points[-1][0]) != (0, 100):
        yield (
            f"`rest.points`: found charge from `{points[0][0]:g}` to `{points[-1][0]:g}`,"
            " wanted from 0 to 100 %; begin with the empty cell and end with the full one"
        )
    for number, (low, high) in enumerate(pairwise(points), 2):
        for column, what in enumerate(("charge", "voltage")):
            if high[column] <= low[column]:
                yield (
                    f"`rest.points`: point {number}: found {what} `{high[column]:g}` after"
                    f" `{low[column]:g}`, wanted more; sort the points, from empty to full"
                )
    for number, (_, volts, spread) in enumerate(points, 1):
        if not 0.5 <= volts <= 4.6:
            yield (
                f"`rest.points`: point {number}: found `{volts:g}` V, wanted 0.5 to 4.6 V;"
                " write the voltage of one cell"
            )
        if not 0.1 <= spread <= 50:
            yield (
                f"`rest.points`: point {number}: found a spread of `{spread:g}`, wanted"
                " 0.1 to 50 points; no curve is exact, and 50 says that nothing is known"
            )
    ceiling = parsed.limits.cell_v_ceiling.value
    # The rest voltage of a full cell never lies above what it may be charged to.
    if points[-1][1] > ceiling:
        yield (
            f"`rest.points`: found a full cell at `{points[-1][1]:g}` V, wanted at most"
            f" `cell_v_ceiling`, {ceiling:g} V; mend the one that is wrong"
        )


def _figures(parsed: _File) -> dict[str, _Figure]:
    return {
        name: getattr(part, name)
        for part in (parsed.limits, parsed.typical)
        for name in type(part).model_fields
    }


def _build(parsed: _File) -> Chemistry:
    figures = _figures(parsed)
    value = {key: figure.value for key, figure in figures.items()}
    charge, volts, spreads = zip(*parsed.rest.points, strict=True)
    assert all(math.isfinite(number) for number in value.values())
    return Chemistry(
        name=parsed.name,
        says=parsed.says,
        fractions=tuple(percent / 100 for percent in charge),
        volts=volts,
        spreads=spreads,
        limits=Limits(
            cell_v_floor=value["cell_v_floor"],
            cell_v_ceiling=value["cell_v_ceiling"],
            cell_v_harm=value["cell_v_harm"],
            drain_c_min=value["drain_c_min"],
            drain_c_max=value["drain_c_max"],
            charge_c_min=value["charge_c_min"],
            charge_c_max=value["charge_c_max"],
            soc_floor=value["soc_floor_pct"],
            rest_before_charge=round(value["rest_before_charge_min"] * MINUTE),
        ),
        self_discharge_pct_month=value["self_discharge_pct_month"],
        resistance_mohm_ah=value["resistance_mohm_ah"],
        charge_efficiency=value["charge_efficiency"],
        sources={"rest": parsed.rest.source}
        | {key: figure.source for key, figure in figures.items()},
    )

"""The shape of a chemistry file, and what is said of one that has another.

Knows keys and kinds. Does not know what a figure may be.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from carerules.domain.spelling import alike

# A third more than the longest source that ships; our choice.
_Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=3, max_length=400)]
_Number = Annotated[float, Field(allow_inf_nan=False, strict=True)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)


class Figure(_Part):
    """A value and where it comes from."""

    value: _Number
    source: _Text


class _Warmth(_Part):
    source: _Text
    points: tuple[tuple[_Number, _Number], ...]


class _Rest(_Part):
    source: _Text
    celsius: _Number = 25.0
    warmth: _Warmth | None = None
    points: tuple[tuple[_Number, _Number, _Number], ...]


class _Limits(_Part):
    cell_v_floor: Figure
    cell_v_ceiling: Figure
    cell_v_harm: Figure
    drain_c_min: Figure
    drain_c_max: Figure
    charge_c_min: Figure
    charge_c_max: Figure
    soc_floor_pct: Figure
    rest_before_charge_min: Figure


class _Typical(_Part):
    self_discharge_pct_month: Figure
    resistance_mohm_ah: Figure
    charge_efficiency: Figure
    hysteresis_mv: Figure | None = None
    temperature_mv_k: Figure | None = None


class _Heat(_Part):
    cell_ml_ah: Figure
    heat_j_ml_k: Figure
    air_w_m2_k: Figure


class _Ageing(_Part):
    cells: tuple[_Text, ...]
    source: _Text


class ChemistryFile(_Part):
    """The whole file."""

    name: _Text
    says: _Text
    rest: _Rest
    limits: _Limits
    typical: _Typical
    heat: _Heat | None = None
    ageing: _Ageing | None = None


_KEYS = sorted(
    {
        key
        for part in (ChemistryFile, _Rest, _Warmth, _Limits, _Typical, _Heat, _Ageing, Figure)
        for key in part.model_fields
    }
)

_WANTED: Mapping[str, tuple[str, str]] = {
    # what pydantic calls it: what was wanted, the mend
    "missing": ("this key", "add it; the shipped files show its form"),
    "string_too_short": ("at least three characters", "say it in words"),
    "string_too_long": ("at most 400 characters", "shorten it"),
    "string_type": ("a text", "put it in double quotes"),
    "float_type": ("a number", "take it out of its quotes"),
    "finite_number": ("a finite number", "write the figure itself"),
    "tuple_type": ("a list", "write it in `[ ]`, as the shipped files do"),
    "too_long": ("three numbers a point", "write `[charge in %, volts a cell, spread in points]`"),
    "model_type": ("a table", 'write `{ value = 1.0, source = "..." }`'),
}


def shape_problems(error: ValidationError, file: str) -> Iterator[str]:
    """What pydantic found, a sentence each."""
    faults = error.errors(include_url=False)
    meant = {  # a key that is misspelt is not missing as well
        (*fault["loc"][:-1], *alike(str(fault["loc"][-1]), _KEYS))
        for fault in faults
        if fault["type"] == "extra_forbidden"
    }
    for fault in faults:
        key = ".".join(str(part) for part in fault["loc"])
        if fault["type"] == "missing" and fault["loc"] in meant:
            continue
        if fault["type"] == "extra_forbidden":
            near = alike(str(fault["loc"][-1]), _KEYS)
            mend = f"did you mean `{near[0]}`?" if near else "take it out"
            yield f"{file}: `{key}`: found a key that no chemistry has, wanted one of them; {mend}"
            continue
        kind = fault["type"]
        if kind == "missing" and isinstance(fault["loc"][-1], int):
            kind = "too_long"  # a point with fewer than three numbers: the same mend
        wanted, mend = _WANTED.get(kind, (lower(fault["msg"]), "mend it"))
        if kind == "model_type" and isinstance(fault["input"], int | float):
            mend = f'write `{{ value = {fault["input"]}, source = "..." }}`'
        found = "nothing" if fault["type"] == "missing" else f"`{short(fault['input'])}`"
        yield f"{file}: `{key}`: found {found}, wanted {wanted}; {mend}"


def short(found: object) -> str:
    """A value as it is quoted: one line of at most 40 characters (our choice)."""
    text = "a table" if isinstance(found, dict) else str(found)
    return " ".join(text.split())[:40]


def lower(text: str) -> str:
    """A sentence of somebody else's as the end of one of ours."""
    return (text[:1].lower() + text[1:]).rstrip(".")

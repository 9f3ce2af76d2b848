"""A chemistry: its rest curve, its limits, its typical figures, and where each of them comes from.

Knows the chemistry file. Does not know any pack.
A chemistry file is TOML; `chemistries/` holds those that ship. Adding one there is all it takes.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from itertools import pairwise

from pydantic import ValidationError

from carerules.battery.chemistry_file import ChemistryFile, Figure, shape_problems, short
from carerules.battery.life import LifeCell, shipped_life_cells
from carerules.domain.frozen import guarded
from carerules.domain.moment import MINUTE, MONTH
from carerules.domain.pack import Limits
from carerules.domain.spelling import alike
from carerules.domain.toml import TomlFault, read_toml
from carerules.shipped import shipped

FILE_CHARS_MAX = (
    65_536  # a curve of five hundred points with its sources, several times over; our choice
)
POINTS_MAX = 500  # a point each fifth of a percent; our choice
POINTS_MIN = 5  # fewer show no knee; our choice

SPREAD_UNTOLD = 50.0
"""Points: the widest spread that a curve may claim; it says that the voltage tells nothing
(our choice)."""


@guarded
class Heat:
    """How big a cell is (ml an Ah), what warms it (J/ml/K), and what still air takes (W/m²/K)."""

    cell_ml_ah: float
    heat_j_ml_k: float
    air_w_m2_k: float


@guarded
class Chemistry:
    """What one family of cells does at rest, what it is allowed, and what is typical of it.

    `fractions` (0..1) and `volts` (V a cell, 25 °C) are the rest curve, both strictly increasing
    from empty to full; `spreads` (points of charge, 1 sigma) is how far published or measured
    cells of the family lie from it there. `resistance_mohm_ah` is a cell's resistance (mΩ) times
    its capacity (Ah). `charge_efficiency` is the share of a charge (Ah) that comes back.
    `hysteresis_v` (V a cell) is how far the rest voltage lies above the curve after a charge and
    below it after a drain; `temperature_v_k` how it moves with warmth at half charge, from that of
    the curve, `rest_c` (°C), and `warmths_v_k` the same at each point of the curve (none: only that
    at half charge is known). `life` are
    the published cells that stand for its ageing; none: nothing is published.
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
    hysteresis_v: float = 0.0
    temperature_v_k: float = 0.0
    rest_c: float = 25.0
    warmths_v_k: tuple[float, ...] = ()
    heat: Heat | None = None
    life: tuple[LifeCell, ...] = ()

    @property
    def shows_charge(self) -> bool:
        """Whether any rest voltage tells anything of the charge."""
        return min(self.spreads) < SPREAD_UNTOLD

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
    raw = read_toml(text)
    if isinstance(raw, TomlFault):
        said = f"`{short(raw.found)}`" if raw.found else "the end of the file"
        place = f"line {raw.line}, column {raw.column}: " if raw.line else ""
        return (f"{file}: {place}found {said}, wanted {raw.wanted}; {raw.mend or 'mend it'}",)
    try:
        parsed = ChemistryFile.model_validate(raw)
    except ValidationError as error:
        return tuple(shape_problems(error, file))
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


# --- what the figures must satisfy ----------------------------------------------------------------

_BOUNDS: Mapping[str, tuple[float, float, str, str]] = {
    # lithium cells of every kind lie well inside: outside, a unit or a whole pack was written
    # (judgement, no source)
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
    "hysteresis_mv": (0, 300, "mV", "write half the gap between charged and drained rest"),
    "temperature_mv_k": (-2, 2, "mV/K", "write millivolts a cell for each kelvin"),
    "cell_ml_ah": (2, 40, "ml/Ah", "write a cell's volume over its capacity"),
    "heat_j_ml_k": (1, 5, "J/ml/K", "write joules for each millilitre and kelvin"),
    "air_w_m2_k": (1, 100, "W/m²/K", "write watts for each square metre and kelvin"),
}

_ORDER = (
    ("cell_v_harm", "cell_v_floor"),
    ("cell_v_floor", "cell_v_ceiling"),
    ("drain_c_min", "drain_c_max"),
    ("charge_c_min", "charge_c_max"),
)


def _problems(parsed: ChemistryFile) -> Iterator[str]:
    if not re.fullmatch(r"[a-z][a-z0-9-]{0,39}", parsed.name):
        yield (
            f"`name`: found `{short(parsed.name)}`, wanted small letters, digits and `-`; rename it"
        )
    figures = _figures(parsed)
    outside = set()
    for key, figure in figures.items():
        low, high, unit, mend = _BOUNDS[key]
        if not low <= figure.value <= high:
            outside.add(key)
            wanted = f"{low:g} to {high:g} {unit}".rstrip()
            yield f"`{key}`: found `{figure.value:g}`, wanted {wanted}; {mend}"
    for less, more in _ORDER:
        if figures[less].value >= figures[more].value and not outside & {less, more}:
            yield (
                f"`{less}`: found `{figures[less].value:g}`, wanted less than `{more}`,"
                f" {figures[more].value:g}; put the two in order"
            )
    known = shipped_life_cells()
    for cell in () if parsed.ageing is None else parsed.ageing.cells:
        if cell not in known:
            near = alike(cell, known)
            mend = f"did you mean `{near[0]}`?" if near else f"there are {', '.join(known)}"
            yield f"`ageing.cells`: found `{short(cell)}`, wanted a published cell; {mend}"
    yield from _curve_problems(parsed)


def _curve_problems(parsed: ChemistryFile) -> Iterator[str]:
    yield from _warmth_problems(parsed)
    # Bounds as in `_BOUNDS`: judgement, no source.
    points, warm_c = parsed.rest.points, parsed.rest.celsius
    if not -20 <= warm_c <= 60:
        yield (
            f"`rest.celsius`: found `{warm_c:g}`, wanted -20 to 60 °C;"
            " write at how many degrees Celsius the curve was measured"
        )
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
        # As in `_BOUNDS`.
        if not 0.5 <= volts <= 4.6:
            yield (
                f"`rest.points`: point {number}: found `{volts:g}` V, wanted 0.5 to 4.6 V;"
                " write the voltage of one cell"
            )
        # A tenth of a point: our choice.
        if not 0.1 <= spread <= SPREAD_UNTOLD:
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


def _warmth_problems(parsed: ChemistryFile) -> Iterator[str]:
    points = () if parsed.rest.warmth is None else parsed.rest.warmth.points
    for number, (charge, mv_k) in enumerate(points, 1):
        if not -2 <= mv_k <= 2:
            yield (
                f"`rest.warmth`: point {number}: found `{mv_k:g}`, wanted -2 to 2 mV/K;"
                " write millivolts a cell for each kelvin"
            )
        if not 0 <= charge <= 100 or (number > 1 and charge <= points[number - 2][0]):
            yield (
                f"`rest.warmth`: point {number}: found charge `{charge:g}`, wanted 0 to 100 %,"
                " each more than the one before; sort the points, from empty to full"
            )
    if parsed.rest.warmth is not None and not 2 <= len(points) <= POINTS_MAX:
        yield (
            f"`rest.warmth`: found {len(points)} points, wanted 2 to {POINTS_MAX};"
            " add points, or write one figure as `temperature_mv_k`"
        )


def _warmths(parsed: ChemistryFile, charges: tuple[float, ...]) -> tuple[float, ...]:
    """The coefficient (V/K) at each charge of the curve: straight lines, level past the ends."""
    if parsed.rest.warmth is None:
        return ()
    points = parsed.rest.warmth.points
    found: list[float] = []
    for charge in charges:
        index = min(max(1, sum(charge > one for one, _ in points)), len(points) - 1)
        (low, first), (high, last) = points[index - 1], points[index]
        share = min(1.0, max(0.0, (charge - low) / (high - low)))
        found.append((first + share * (last - first)) / 1_000)
    return tuple(found)


def _figures(parsed: ChemistryFile) -> dict[str, Figure]:
    return {
        name: figure
        for part in (parsed.limits, parsed.typical, parsed.heat)
        if part is not None
        for name in type(part).model_fields
        if (figure := getattr(part, name)) is not None
    }


def _build(parsed: ChemistryFile) -> Chemistry:
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
        | {key: figure.source for key, figure in figures.items()}
        | ({} if parsed.ageing is None else {"ageing": parsed.ageing.source})
        | ({} if parsed.rest.warmth is None else {"warmth": parsed.rest.warmth.source}),
        hysteresis_v=value.get("hysteresis_mv", 0.0) / 1_000,
        rest_c=parsed.rest.celsius,
        warmths_v_k=_warmths(parsed, charge),
        temperature_v_k=value.get("temperature_mv_k", 0.0) / 1_000,
        heat=None
        if parsed.heat is None
        else Heat(value["cell_ml_ah"], value["heat_j_ml_k"], value["air_w_m2_k"]),
        life=()
        if parsed.ageing is None
        else tuple(shipped_life_cells()[name] for name in parsed.ageing.cells),
    )

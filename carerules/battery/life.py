"""How a cell loses capacity by lying and by use: published fits, each with its source.

Knows cells that somebody aged on purpose. Does not know a pack: cells of one kind differ
severalfold, so whoever asks about a pack asks several cells and shows the band (`battery/ageing`).

A loss grows with a power of time, or of full cycles' worth of charge; the file gives it at some
charges, or depths, at 25 °C, and how it changes with temperature. In between, straight lines: of
the loss' logarithm over charge, of the loss itself over depth.
"""

from __future__ import annotations

import tomllib
from bisect import bisect_right
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from math import exp, isfinite, log

from carerules.domain.frozen import guarded
from carerules.shipped import shipped

GAS_J_MOL_K = 8.314462618  # CODATA 2018
WARM_K = 298.15
KELVIN = 273.15
YEAR_DAYS = 365.0
CYCLES_OF_TABLE = 100.0
"""What a file's figures are told for, by definition of it: 25 °C, a year, a hundred cycles."""

POINTS_MAX = 200  # a point each half percent; published fits are smoother; our choice


@guarded
class Stored:
    """Calendar loss: at each charge (0..1) the first year's loss at 25 °C (fraction) and its
    activation energy (J/mol). It grows with days to `power`."""

    power: float
    charges: tuple[float, ...]
    losses: tuple[float, ...]
    energies: tuple[float, ...]


@guarded
class Cycled:
    """Cycle loss: at each depth (0..1) the loss (fraction) after a hundred full cycles' worth at
    1C and 25 °C. It grows with their number to `power`; each further C adds `rate_share`."""

    power: float
    depths: tuple[float, ...]
    losses: tuple[float, ...]
    rate_share: float
    energy: float


@dataclass(frozen=True, slots=True, eq=False)
class LifeCell:
    """A cell whose ageing was published; what was not measured is None. It equals itself only, so
    that what it was asked once is found again at the price of an address."""

    name: str
    says: str
    source: str
    stored: Stored | None
    cycled: Cycled | None

    def stored_loss(self, charge: float, temp_c: float, days: float) -> float | None:
        """Fraction lost by lying new at one charge (0..1) and temperature for so long."""
        rate = self._stored_rate(charge, temp_c)
        return (
            None if rate is None or self.stored is None else float(rate * days**self.stored.power)
        )

    def cycled_loss(
        self, depth: float, rate_c: float, temp_c: float, full_cycles: float
    ) -> float | None:
        """Fraction lost by so many full cycles' worth, in swings of one depth (0..1) and rate."""
        rate = self._cycled_rate(depth, rate_c, temp_c)
        if rate is None or self.cycled is None:
            return None
        return float(rate * full_cycles**self.cycled.power)

    def _stored_rate(self, charge: float, temp_c: float) -> float | None:
        stored = self.stored
        if stored is None:
            return None
        index, share = _place(stored.charges, charge)
        low, high = stored.losses[index - 1], stored.losses[index]
        loss = exp(log(low) + share * (log(high) - log(low)))
        energy = stored.energies[index - 1]
        energy += share * (stored.energies[index] - energy)
        return float(loss / YEAR_DAYS**stored.power * _warmth(energy, temp_c))

    def _cycled_rate(self, depth: float, rate_c: float, temp_c: float) -> float | None:
        cycled = self.cycled
        if cycled is None:
            return None
        index, share = _place(cycled.depths, depth)
        loss = cycled.losses[index - 1]
        loss += share * (cycled.losses[index] - loss)
        faster = max(0.0, 1 + cycled.rate_share * (rate_c - 1))
        return float(loss / CYCLES_OF_TABLE**cycled.power * faster * _warmth(cycled.energy, temp_c))


def _place(points: tuple[float, ...], at: float) -> tuple[int, float]:
    """The stretch that `at` lies in, by its upper point, and how far in; the ends hold beyond."""
    index = min(max(1, bisect_right(points, at)), len(points) - 1)
    low, high = points[index - 1], points[index]
    return index, min(1.0, max(0.0, (at - low) / (high - low)))


def _warmth(energy: float, temp_c: float) -> float:
    return exp(energy / GAS_J_MOL_K * (1 / WARM_K - 1 / (temp_c + KELVIN)))


# --- the file -------------------------------------------------------------------------------------


@cache
def shipped_life_cells() -> Mapping[str, LifeCell]:
    """The published cells that ship, by name. Raises ValueError when a file is spoiled."""
    found: dict[str, LifeCell] = {}
    folder = shipped("battery/chemistries") / "life"
    for entry in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if entry.name.endswith(".toml"):
            read = read_life_cell(entry.read_text(encoding="utf-8"), entry.name)
            if not isinstance(read, LifeCell):
                raise ValueError("; ".join(read))
            found[read.name] = read
    return found


def read_life_cell(text: str, file: str) -> LifeCell | tuple[str, ...]:
    """The cell that a file describes, or everything that is wrong with it, a sentence each."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        return (f"{file}: this is not TOML: {str(error).lower()}; mend the line named",)
    problems = tuple(f"{file}: {one}" for one in _problems(raw))
    return problems or _built(raw)


def _problems(raw: Mapping[str, object]) -> Iterator[str]:
    for key in ("name", "says", "source"):
        if not isinstance(raw.get(key), str) or len(str(raw[key])) < 3:
            yield f"`{key}`: found nothing, wanted a text; say it in words"
    for key in set(raw) - {"name", "says", "source", "stored", "cycled"}:
        yield f"`{key}`: found a key that no ageing cell has; take it out"
    if "stored" not in raw and "cycled" not in raw:
        yield "found neither `stored` nor `cycled`, wanted one of them; add what was measured"
    for part, columns in (("stored", 3), ("cycled", 2)):
        if part in raw:
            yield from _part_problems(part, raw[part], columns)


def _part_problems(part: str, table: object, columns: int) -> Iterator[str]:
    keys = {"power", "points"} | ({"rate_share", "activation_kj_mol"} if columns == 2 else set())
    if not isinstance(table, dict) or set(table) != keys:
        wanted = ", ".join(f"`{key}`" for key in sorted(keys))
        yield f"`{part}`: found other keys, wanted {wanted}; the shipped files show their form"
        return
    for key in sorted(keys - {"points"}):
        if not _number(table[key]):
            yield f"`{part}.{key}`: found `{table[key]}`, wanted a number; write the figure"
        # The fits that ship have 0.36 to 0.83; our choice.
        elif key == "power" and not 0.1 <= table[key] <= 2:
            yield f"`{part}.power`: found `{table[key]}`, wanted 0.1 to 2; a loss grows about as √t"
    points = table["points"]
    if (
        not isinstance(points, list)
        or not 2 <= len(points) <= POINTS_MAX
        or not all(
            isinstance(point, list) and len(point) == columns and all(map(_number, point))
            for point in points
        )
    ):
        yield (
            f"`{part}.points`: found points of another form, wanted {columns} numbers each;"
            " the shipped files show their form"
        )
        return
    if points[-1][0] > 100 or points[0][0] < 0 or any(a[0] >= b[0] for a, b in pairwise(points)):
        yield f"`{part}.points`: found percents out of order, wanted 0 to 100; sort the points"
    # In a year, or a hundred cycles: no cell that is sold loses half (no source).
    if any(not 0 < point[1] < 50 for point in points):
        yield f"`{part}.points`: found a loss outside 0 to 50 %, wanted the percent lost; mend it"


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)


def _built(raw: Mapping[str, object]) -> LifeCell:
    return LifeCell(
        str(raw["name"]),
        str(raw["says"]),
        str(raw["source"]),
        _stored(raw["stored"]) if "stored" in raw else None,
        _cycled(raw["cycled"]) if "cycled" in raw else None,
    )


def _stored(table: object) -> Stored:
    assert isinstance(table, dict)
    charges, losses, energies = zip(*table["points"], strict=True)
    return Stored(
        float(table["power"]),
        tuple(percent / 100 for percent in charges),
        tuple(percent / 100 for percent in losses),
        tuple(1_000.0 * energy for energy in energies),
    )


def _cycled(table: object) -> Cycled:
    assert isinstance(table, dict)
    depths, losses = zip(*table["points"], strict=True)
    return Cycled(
        float(table["power"]),
        tuple(percent / 100 for percent in depths),
        tuple(percent / 100 for percent in losses),
        float(table["rate_share"]),
        1_000.0 * table["activation_kj_mol"],
    )

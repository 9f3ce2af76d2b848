"""The truth of one pack: charge, volts and heat of its cells, as an equivalent circuit.

Knows what really flows. Does not know any sensor, estimate or rule.

Rest voltage over charge in series with a resistance and one resistor-capacitor pair, one lump of
heat, a slow leak. Current is positive into the pack and is held over a step; within a step the
capacitor and the heat follow their exact exponentials, so the length of a step costs no accuracy
there. The model is the usual textbook one (`G. L. Plett, Battery Management Systems, volume I`,
chapter 2; from memory).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from math import exp, sqrt
from random import Random
from typing import Protocol

from carerules.domain.frozen import guarded
from carerules.sim.plain import Plain, number, rows

MONTH_S = 30 * 86_400.0
ROOM_C = 20.0


class CellKind(Protocol):
    """What a chemistry says of a cell; `battery` holds such ones.

    Rest voltage (`volts`) over charge (`fractions`, 0 to 1), straight between the points, rising;
    how far cells of the kind lie from it (`spreads`, points of charge, 1 sigma).
    """

    @property
    def fractions(self) -> tuple[float, ...]:
        """Charge of each point, from 0 to 1."""

    @property
    def volts(self) -> tuple[float, ...]:
        """Rest voltage of each point, V a cell."""

    @property
    def spreads(self) -> tuple[float, ...]:
        """Spread of each point, points of charge."""

    @property
    def resistance_mohm_ah(self) -> float:
        """Resistance of a cell (mΩ) times its capacity (Ah)."""

    @property
    def self_discharge_pct_month(self) -> float:
        """What a cell loses on the shelf, % of its capacity a month."""


@guarded
class PackNature:
    """What a pack is, as long as nobody changes it.

    Its rest curve is `fractions` (0 to 1) and `volts` (V a cell). Each cell has its own capacity
    (Ah), head start in charge (of 1) and leak (share of its capacity a month). `ohm` and
    `pair_ohm` are of the whole pack; the pair settles with `pair_s`. `heat_j_k` is what warms up,
    `heat_k_w` what it takes to lose it to the room.
    """

    fractions: tuple[float, ...]
    volts: tuple[float, ...]
    capacities_ah: tuple[float, ...]
    head_starts: tuple[float, ...]
    leaks: tuple[float, ...]
    ohm: float
    pair_ohm: float
    pair_s: float
    heat_j_k: float
    heat_k_w: float

    @property
    def cells(self) -> int:
        """Cells in series."""
        return len(self.capacities_ah)

    @property
    def capacity_ah(self) -> float:
        """What the pack can give: its smallest cell."""
        return min(self.capacities_ah)

    def rest_v(self, fraction: float) -> float:
        """Rest voltage of a cell (V) at a charge; the first and last stretch go on outside."""
        i = bisect_right(self.fractions, fraction, 1, len(self.fractions) - 1)
        low, high = self.fractions[i - 1], self.fractions[i]
        rise_v = self.volts[i] - self.volts[i - 1]
        return max(0.0, self.volts[i - 1] + rise_v * (fraction - low) / (high - low))


def plain_nature(kind: CellKind, *, cells: int, capacity_ah: float) -> PackNature:
    """A pack of equal cells, right on the curve, without leak: for arithmetic by hand.

    Figures from memory: half of the resistance again sits in the pair, which settles in 40 s;
    a pack weighs 1 kg for 180 Wh, 1 kJ warms 1 kg by 1 K; 2 kg lose 0.8 W for each kelvin.
    """
    kg = cells * capacity_ah * 3.7 / 180
    ohm = cells * kind.resistance_mohm_ah / 1_000 / capacity_ah
    return PackNature(
        tuple(kind.fractions), tuple(kind.volts),
        (capacity_ah,) * cells, (0.0,) * cells, (0.0,) * cells,
        ohm, ohm / 2, 40.0, 1_000 * kg, 1.25 * (2 / kg) ** (2 / 3),
    )  # fmt: skip


def born(
    kind: CellKind,
    *,
    cells: int,
    capacity_ah: float,
    chance: Random,
    uneven: float = 1.0,
    off_curve: float = 0.0,
) -> PackNature:
    """A pack as it comes, by `chance`: its cells `uneven` times the usual apart.

    From memory: capacities within 0.5 %, charges within 0.4 points (1 sigma), leaks of half to one
    and a half times the kind's. `off_curve` moves the rest curve by so many of its spreads.
    """
    plain = plain_nature(kind, cells=cells, capacity_ah=capacity_ah)

    def about(sigma: float) -> float:
        return max(-3.0, min(3.0, chance.gauss(0, 1))) * sigma * uneven

    leak = kind.self_discharge_pct_month / 100
    return PackNature(
        _moved(kind, off_curve),
        plain.volts,
        tuple(capacity_ah * (1 + about(0.005)) for _ in range(cells)),
        tuple(about(0.004) for _ in range(cells)),
        tuple(leak * chance.uniform(0.5, 1.5) for _ in range(cells)),
        plain.ohm * chance.uniform(0.9, 1.3),
        plain.pair_ohm * chance.uniform(0.8, 1.2),
        plain.pair_s * chance.uniform(0.7, 1.5),
        plain.heat_j_k,
        plain.heat_k_w,
    )


def _moved(kind: CellKind, spreads: float) -> tuple[float, ...]:
    """The charge at which each of the curve's volts really stands; empty and full stay."""
    moved = [0.0]
    for fraction, spread in zip(kind.fractions[1:-1], kind.spreads[1:-1], strict=True):
        wanted = fraction - spreads * spread / 100
        # Kept rising, with room above for the points still to come.
        left = len(kind.fractions) - len(moved)
        moved.append(min(max(wanted, moved[-1] + 1e-4), 1 - 1e-4 * left))
    return (*moved, 1.0)


LEAK_EACH_S = 600.0
"""How often a pack that lies counts what leaked: some thousandths of a point of charge."""


class PackTruth:
    """One pack as it really is.

    Read its attributes freely; only `advance` changes them. `charges` is each cell's charge as a
    share of its own capacity, and may leave 0 to 1 when the pack is abused. `rest_v` is each
    cell's rest voltage, `pair_v` what the pair adds, `current_a` what flows now. `in_wh`,
    `out_wh`, `out_ah` and `lost_wh` (heat) are counted at the pack's leads since it began.
    While nothing flows, `charges` may lag behind by what leaks in `LEAK_EACH_S`.
    """

    def __init__(self, nature: PackNature, *, soc: float, temperature_c: float = ROOM_C) -> None:
        self.nature = nature
        self.charges = [soc / 100 + head for head in nature.head_starts]
        self.temperature_c = temperature_c
        self.pair_v = 0.0
        self.current_a = 0.0
        self.in_wh = self.out_wh = self.out_ah = self.lost_wh = 0.0
        fractions, volts = nature.fractions, nature.volts
        assert len(fractions) == len(volts) >= 2
        self._fractions, self._volts = fractions, volts
        self._slopes = [
            (high_v - low_v) / (high - low)
            for low, high, low_v, high_v in zip(
                fractions, fractions[1:], volts, volts[1:], strict=False
            )
        ]
        self._per_as = [1 / (3_600 * ah) for ah in nature.capacities_ah]
        self._leak_per_s = [leak / MONTH_S for leak in nature.leaks]
        self._heat_s = nature.heat_j_k * nature.heat_k_w
        self.rest_v = [0.0] * nature.cells
        self.rest_sum_v = 0.0
        self._slope_v_per_as = 0.0
        self.leaked_s = 0.0
        self._settle(0.0, 0.0)

    # ---- what it shows ----------------------------------------------------------------------

    @property
    def soc(self) -> float:
        """Mean charge of the cells, %."""
        return 100 * sum(self.charges) / len(self.charges)

    @property
    def voltage_v(self) -> float:
        """At the leads, with what flows now."""
        return self.rest_sum_v + self.current_a * self.nature.ohm + self.pair_v

    @property
    def cell_v(self) -> list[float]:
        """At each cell, with what flows now."""
        rise = (self.current_a * self.nature.ohm + self.pair_v) / self.nature.cells
        return [volts + rise for volts in self.rest_v]

    # ---- what would flow --------------------------------------------------------------------

    def current_at_power(self, power_w: float, dt_s: float) -> float:
        """The current (A) at which `power_w` goes into the pack on average over the next `dt_s`.

        Negative power drains. More than the pack can give is the most that it can give.
        """
        volts, ohm = self._mean_over(dt_s)
        under_root = volts * volts + 4 * ohm * power_w
        return (sqrt(under_root) - volts if under_root > 0 else -volts) / (2 * ohm)

    def current_into_ohms(self, load_ohm: float, dt_s: float) -> float:
        """The current (A, negative) through a resistor, on average over the next `dt_s`."""
        volts, ohm = self._mean_over(dt_s)
        return -volts / (load_ohm + ohm)

    def current_to_reach(self, cell_v: float, dt_s: float) -> float:
        """The current (A) after which the highest cell shows `cell_v` when `dt_s` have passed."""
        nature = self.nature
        stays = exp(-dt_s / nature.pair_s)
        gap_v = (cell_v - max(self.rest_v)) * nature.cells - self.pair_v * stays
        ohm = nature.ohm + nature.pair_ohm * (1 - stays) + self._slope_v_per_as * dt_s
        return gap_v / ohm

    def _mean_over(self, dt_s: float) -> tuple[float, float]:
        """Volts and ohms that stand for the pack's mean over a step at one current."""
        nature = self.nature
        part = _mean_of_decay(dt_s / nature.pair_s)
        ohm = nature.ohm + nature.pair_ohm * (1 - part) + self._slope_v_per_as * dt_s / 2
        return self.rest_sum_v + self.pair_v * part, ohm

    # ---- time -------------------------------------------------------------------------------

    def advance(
        self,
        dt_s: float,
        *,
        current_a: float = 0.0,
        power_w: float | None = None,
        room_c: float = ROOM_C,
    ) -> None:
        """Let `dt_s` pass with a current, or with a power in its place; both positive inwards.

        With `dt_s` 0 nothing passes, but what flows now is set.
        """
        if power_w is not None:
            current_a = self.current_at_power(power_w, dt_s)
        if dt_s <= 0:
            self.current_a = current_a
            return
        nature = self.nature
        before_v = self.rest_sum_v
        if current_a or self.pair_v:
            part = _mean_of_decay(dt_s / nature.pair_s)
            end_v = current_a * nature.pair_ohm
            off_v = self.pair_v - end_v
            pair_mean_v = end_v + off_v * part
            self.pair_v = end_v + off_v * exp(-dt_s / nature.pair_s)
            if abs(self.pair_v) < 1e-9:
                self.pair_v = 0.0  # a nanovolt is rest; the next steps need not carry it on
            heat_w = current_a * current_a * nature.ohm + pair_mean_v**2 / nature.pair_ohm
            self.lost_wh += heat_w * dt_s / 3_600
        else:
            pair_mean_v = heat_w = 0.0
        self.leaked_s += dt_s
        if current_a or self.leaked_s >= LEAK_EACH_S:
            self._settle(current_a, dt_s)
        if current_a:
            ah = current_a * dt_s / 3_600
            mean_v = (before_v + self.rest_sum_v) / 2 + current_a * nature.ohm + pair_mean_v
            if ah > 0:
                self.in_wh += ah * mean_v
            else:
                self.out_ah -= ah
                self.out_wh -= ah * mean_v
        self.current_a = current_a
        warm_c = room_c + heat_w * nature.heat_k_w
        self.temperature_c = warm_c + (self.temperature_c - warm_c) * exp(-dt_s / self._heat_s)

    def _settle(self, current_a: float, dt_s: float) -> None:
        """Move each cell's charge and read its rest voltage; one loop, it is the hot one."""
        charges, rest_v, per_as, leaks = self.charges, self.rest_v, self._per_as, self._leak_per_s
        fractions, volts, slopes = self._fractions, self._volts, self._slopes
        last = len(fractions) - 1
        moved_as, leaked_s, self.leaked_s = current_a * dt_s, self.leaked_s, 0.0
        total_v = slope_sum = 0.0
        for k, charge in enumerate(charges):
            charge += moved_as * per_as[k] - leaks[k] * leaked_s  # noqa: PLW2901  the new charge
            charges[k] = charge
            # Outside the curve the first and the last stretch go on, down to no voltage at all.
            i = bisect_right(fractions, charge, 1, last) - 1
            cell_v = volts[i] + slopes[i] * (charge - fractions[i])
            if cell_v < 0:
                cell_v = 0.0
            rest_v[k] = cell_v
            total_v += cell_v
            slope_sum += slopes[i] * per_as[k]
        self.rest_sum_v = total_v
        self._slope_v_per_as = slope_sum

    # ---- keeping ----------------------------------------------------------------------------

    def snapshot(self) -> Plain:
        """Everything that changes, as plain JSON."""
        kept = {name: getattr(self, name) for name in (*_KEPT, "leaked_s")}
        return {"charges": list(self.charges), **kept}

    def restore(self, kept: Mapping[str, object]) -> None:
        """Go on from a snapshot of a pack of the same nature; raises `ValueError` for another."""
        charges = rows(kept, "charges")
        if len(charges) != self.nature.cells:
            found = f"{len(charges)} cells in the snapshot, wanted {self.nature.cells}"
            raise ValueError(f"found {found}; begin afresh")
        self.charges = [number({"charge": charge}, "charge") for charge in charges]
        for name in _KEPT:
            setattr(self, name, number(kept, name))
        self.leaked_s = 0.0
        self._settle(0.0, 0.0)
        self.leaked_s = number(kept, "leaked_s", 0.0)


_KEPT = (
    "temperature_c", "pair_v", "current_a", "in_wh", "out_wh", "out_ah", "lost_wh",
)  # fmt: skip


def _mean_of_decay(x: float) -> float:
    """Mean of exp(-s) for s from 0 to x: 1 at once, falling."""
    return (1 - exp(-x)) / x if x > 1e-9 else 1.0

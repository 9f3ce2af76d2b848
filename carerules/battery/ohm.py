"""A cell's resistance: learned from the steps of ordinary use, and what warmth does to it.

Knows voltages and currents of two moments. Does not know charge. All resistances that are kept are
those at 25 °C; `at_warmth` says what one is at another temperature.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from functools import lru_cache
from math import hypot, log
from typing import Final, NamedTuple

from carerules.battery.chemistry import Chemistry
from carerules.battery.health import STEP_SHARE, two_step
from carerules.domain.moment import HOUR, SECOND, Duration, Moment
from carerules.domain.pack import Pack
from carerules.domain.quantity import Known, Reading

TIMES: Final[tuple[tuple[float, float], ...]] = (
    (-25, 11.7),
    (-10, 4.3),
    (0, 2.2),
    (10, 1.5),
    (25, 1.0),
    (40, 0.84),
)
"""°C, and how many times the resistance at 25 °C; straight lines between, no further outside.

Means at half charge of a 94 Ah NMC cell from -25 °C on (1.3 to 1.6 at 10 °C by charge or drain, 1.9
to 2.6 at 0 °C), a 3 Ah iron phosphate cell from 10 °C on, both as tabulated in simses 1.3.12
(BSD-3), and steps of one second on a 30 Ah pouch cell from 10 to 40 °C (1.66 and 0.98, doi
10.5281/zenodo.2580327). No single Arrhenius line goes through any of them."""

WARMTH_DOUBT = 0.5
"""Doubt of what warmth does, of the logarithm of that: the cells above lie so far apart."""

WARMTH_MAX_AGE: Duration = HOUR
"""An older temperature says nothing of a pack that may have been carried indoors since: one of a
few hundred grams follows the air within an hour or two (no source)."""

STEP_WITHIN: Duration = 15 * SECOND
STEP_DOUBT = 0.15
"""Two samples further apart show the slow part of the sag beside the resistance (IEC 61960 waits
10 s at the first current and 1 s at the second, from memory). The doubt of one step, of itself: ten
seconds apart it came to 1.1 to 1.2 times that of one second on the pouch cell above. Samples a
minute apart were tried on it, less the slow part (by 1.4), and came to 0.4 to 1.0 times: they teach
nothing."""

KEPT_DOUBT_MIN = 0.10
"""However many steps agree, all may be off by so much: where in a step a sample falls, and what the
charge does to it (no source). It also lets what ages be followed: the last few steps count most."""

METER_WAVERS = 0.85
"""Of what a voltage is trusted to: six tenths of it waver (as in `rest`), in both readings."""

OUTLIER_SIGMAS = 4.0
OUTLIER_WIDENS = 1.5
"""A step further off is left out, and the doubt widened: if it goes on so, it is soon believed (no
source)."""

OF_TYPICAL = (0.1, 10.0)
"""Of what is typical of the chemistry: outside no pack lies; a lead or a meter does (no source)."""

TYPICAL_DOUBT = 0.5
"""Doubt of a typical resistance, of itself: cells of one kind differ by as much (no source)."""

LEARNED = "learned from steps of current"


class Step(NamedTuple):
    """What a step of current shows: a cell's resistance (mΩ) as warm as it was, and its doubt."""

    mohm: float
    doubt: float


def typical_mohm(pack: Pack, chemistry: Chemistry) -> tuple[float, float]:
    """A cell's resistance (mΩ at 25 °C) as its chemistry and capacity have it, and its doubt."""
    mohm = chemistry.resistance_mohm_ah / pack.capacity_ah
    return mohm, TYPICAL_DOUBT * mohm


def kept_mohm(
    readings: Mapping[str, Reading], pack: Pack, chemistry: Chemistry
) -> tuple[float, float]:
    """A cell's resistance (mΩ at 25 °C) and its doubt: as it is known, or else what is typical."""
    known = readings.get("pack.resistance")
    return (
        (known.value, known.spread) if isinstance(known, Known) else typical_mohm(pack, chemistry)
    )


def warmth(readings: Mapping[str, Reading], at: Moment) -> float | None:
    """The pack's temperature (°C) where it was told within the last hour."""
    warm = readings.get("pack.temperature")
    return warm.value if isinstance(warm, Known) and at - warm.at <= WARMTH_MAX_AGE else None


def learn(
    old: Mapping[str, Reading],
    readings: dict[str, Reading],
    pack: Pack,
    chemistry: Chemistry,
    at: Moment,
) -> None:
    """Write what a step of current from the last sample (`old`) to this one (`readings`, at `at`)
    shows of the resistance, if there was a step."""
    was_a, now_a = old.get("pack.current"), readings.get("pack.current")
    if not isinstance(was_a, Known) or not isinstance(now_a, Known) or now_a.at != at:
        return
    if abs(now_a.value - was_a.value) < STEP_SHARE * pack.capacity_ah:
        return
    was_v, now_v = old.get("pack.voltage"), readings.get("pack.voltage")
    kept = readings.get("pack.resistance")
    if not isinstance(was_v, Known) or not isinstance(now_v, Known) or not isinstance(kept, Known):
        return
    if was_v.at != was_a.at or now_v.at != at:
        return
    step = stepped(
        (was_a.at, was_v.value, was_a.value), (at, now_v.value, now_a.value),
        now_v.spread, pack.capacity_ah, pack.cells,
    )  # fmt: skip
    if step is not None:
        typical, _ = typical_mohm(pack, chemistry)
        readings["pack.resistance"] = with_step(kept, typical, step, warmth(readings, at), at)


def stepped(
    before: tuple[Moment, float, float],
    now: tuple[Moment, float, float],
    meter_v: float,
    capacity_ah: float,
    cells: int,
) -> Step | None:
    """The resistance of a cell by two samples (moment, V and A of the pack).

    `meter_v`: what the voltage is trusted to. None: too far apart, too small a step, none that goes
    the right way, or one lost in the meter's doubt.
    """
    if not 0 < now[0] - before[0] <= STEP_WITHIN:
        return None
    mohm = two_step(before[1], before[2], now[1], now[2], capacity_ah, cells)
    if mohm is None:
        return None
    # Two readings of one meter: what it is off by in both drops out, what it wavers does not.
    doubt = hypot(STEP_DOUBT, METER_WAVERS * meter_v / abs(now[1] - before[1]))
    return Step(mohm, doubt * mohm) if doubt < 1.0 else None


def with_step(kept: Known, typical: float, step: Step, warm_c: float | None, at: Moment) -> Known:
    """The resistance (mΩ a cell at 25 °C) after one more step; `typical` is the chemistry's."""
    mohm, doubt = at_25(step, warm_c)
    low, high = OF_TYPICAL
    if not low * typical <= mohm <= high * typical:
        return kept
    apart = mohm - kept.value
    if kept.source == LEARNED and abs(apart) > OUTLIER_SIGMAS * hypot(kept.spread, doubt):
        return Known(kept.value, min(kept.value, OUTLIER_WIDENS * kept.spread), kept.at, LEARNED)
    share = kept.spread * kept.spread / (kept.spread * kept.spread + doubt * doubt)
    value = kept.value + share * apart
    narrow = max(KEPT_DOUBT_MIN * value, kept.spread * (1 - share) ** 0.5)
    return Known(value, narrow, at, LEARNED)


def at_25(step: Step, warm_c: float | None) -> tuple[float, float]:
    """What a step says of the resistance at 25 °C, and the doubt of that."""
    times, doubt = warmth_times(warm_c)
    mohm = step.mohm / times
    return mohm, hypot(step.doubt / times, doubt / times * mohm)


def at_warmth(mohm: float, spread: float, warm_c: float | None) -> tuple[float, float]:
    """A resistance kept for 25 °C and its doubt, as warm as the pack is; None: nobody told."""
    times, doubt = warmth_times(warm_c)
    return times * mohm, hypot(times * spread, doubt * mohm)


@lru_cache  # a room's warmth is told again and again
def warmth_times(warm_c: float | None) -> tuple[float, float]:
    """How many times the resistance at 25 °C, and the doubt of that."""
    if warm_c is None:
        return 1.0, 0.0
    warms = [warm for warm, _ in TIMES]
    warm = min(warms[-1], max(warms[0], warm_c))
    index = min(bisect_right(warms, warm), len(warms) - 1)
    (low, first), (high, last) = TIMES[index - 1], TIMES[index]
    times = first + (last - first) * (warm - low) / (high - low)
    return times, WARMTH_DOUBT * abs(log(times)) * times

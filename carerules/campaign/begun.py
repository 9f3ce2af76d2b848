"""What an ON set out to do, and how much energy that can take: by the truth of the pack.

Knows the pack as it is and what the line of the job says. Does not know the program's forecast.
"""

from __future__ import annotations

from carerules.domain.action import Action, Charge, DayWindow, Drain, Switch
from carerules.domain.frozen import guarded
from carerules.domain.moment import HOUR, MINUTE, Moment
from carerules.domain.pack import Pack
from carerules.domain.quantity import Known, Reading
from carerules.sim import PackTruth

ENERGY_CAP = 1.25
"""SAFETY 9: one ON moves at most so much of what it was forecast to."""
LEAST_WH = 0.5
"""Below this a plug's meter cannot tell."""
POINTS_LEAST = 5.0
"""What a charge may be off by at best: a rest curve is no better known (judgement, no source)."""
LOSS = 1.17
"""A charger may be taken to lose so much more than it does: a quarter for an eighth."""
SLICES = 10
DAY_MIN = 24 * 60


@guarded
class Begun:
    """One ON: for which pack, at which line, for which job, and what was held of the charge (%)."""

    job: str
    pack: str
    action: Action
    soc: Reading

    @property
    def window(self) -> DayWindow | None:
        """The stretch of the day that it has to keep to."""
        return self.action.window if isinstance(self.action, (Drain, Charge)) else None

    def most_wh(self, truth: PackTruth, label: Pack, usual_w: float) -> float:
        """The most that may flow through the pack's leads, from its true charge now.

        A pack's label says more than an old one holds, and its charge is believed with a doubt:
        both are the forecast's own, and allowed.
        """
        match self.action:
            case Switch(time=time):
                return ENERGY_CAP * usual_w * (time or 0) / HOUR
            case Drain(target=target):
                wh = _between(truth, label, target, truth.soc + self._doubt)
            case Charge(target=target):
                wh = LOSS * _between(truth, label, truth.soc - self._doubt, target)
            case _:
                return 0.0
        return max(LEAST_WH, ENERGY_CAP * wh)

    @property
    def _doubt(self) -> float:
        spread = self.soc.spread if isinstance(self.soc, Known) else 0.0
        return max(POINTS_LEAST, 2 * spread)


def _between(truth: PackTruth, label: Pack, low: float, high: float) -> float:
    """The energy (Wh) of a pack of this label between two charges (%), on its true rest curve."""
    low, high = max(0.0, min(100.0, low)), max(0.0, min(100.0, high))
    if high <= low:
        return 0.0
    step = (high - low) / SLICES
    nature = truth.nature
    volts = sum(nature.rest_v((low + (k + 0.5) * step) / 100) for k in range(SLICES)) / SLICES
    return (high - low) / 100 * label.capacity_ah * volts * nature.cells


def is_inside(window: DayWindow, wall: Moment) -> bool:
    """Whether the wall clock (ms since a midnight) stands inside a stretch of each day."""
    minute = wall // MINUTE % DAY_MIN
    if window.since < window.until:
        return window.since <= minute < window.until
    return minute >= window.since or minute < window.until

"""Which samples can change a rule: most cannot, and then no rule need be looked at.

Knows the limits that rules compare signals with. Does not know rules. The limits cut each signal's
axis into stretches; while every signal stays in its stretch, and nothing is due, each comparison
keeps its truth, and so does everything made of them.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import inf
from typing import NamedTuple

from carerules.domain.condition import (
    Between,
    Compare,
    Condition,
    Crosses,
    InSamples,
    SignalValue,
    values,
    walk,
)
from carerules.domain.moment import NEVER, Duration, Moment
from carerules.domain.quantity import Known, Quantity, Reading
from carerules.domain.signal import Catalogue
from carerules.engine.value import signals_of


@dataclass(frozen=True, slots=True)
class Watched:
    """One of the pack's own signals, and the limits on its axis, sorted."""

    name: str
    limits: tuple[float, ...]


class Stretch(NamedTuple):
    """Where a signal lay when its rules were looked at: between two limits, or upon one.

    Unknown or stale, it lay nowhere. `reading` is what it was.
    """

    name: str
    low: float
    high: float
    reading: Reading | None


NOWHERE = (inf, -inf)


@dataclass(frozen=True, slots=True)
class Watch:
    """All that is watched. `always`: any sample may change something, as with two signals.

    `ages`: how soon each of the pack's own signals that anything reads is stale.
    """

    signals: tuple[Watched, ...]
    ages: tuple[tuple[str, Duration], ...]
    always: bool = False

    def stale_at(self, readings: Mapping[str, Reading], now: Moment) -> Moment:
        """When the next of these readings is stale, if nothing new is heard of it."""
        soonest = NEVER
        for name, max_age in self.ages:
            reading = readings.get(name)
            if type(reading) is Known and now < (stale := reading.at + max_age + 1) < soonest:
                soonest = stale
        return soonest

    def stretches(self, readings: Mapping[str, Reading], now: Moment) -> tuple[Stretch, ...]:
        """Where each signal lies at `now`, between which of its limits."""
        ages = dict(self.ages)
        found: list[Stretch] = []
        for signal in self.signals:
            reading, name, limits = readings.get(signal.name), signal.name, signal.limits
            low, high = NOWHERE
            if type(reading) is Known and now - reading.at <= ages.get(name, NEVER):
                value = reading.value_at(now)
                low, high = value, value
                first = bisect_left(limits, value)
                if first == bisect_right(limits, value):  # upon none of them
                    low = limits[first - 1] if first else -inf
                    high = limits[first] if first < len(limits) else inf
            found.append(Stretch(name, low, high, reading))
        return tuple(found)


def watch_over(
    conditions: Iterable[Condition], reads: Iterable[str], signals: Catalogue,
    *, always: bool = False,
) -> Watch:  # fmt: skip
    """What to watch for these conditions, and for all else that `reads` something."""
    limits: dict[str, set[float]] = {}
    for part in (part for condition in conditions for part in walk(condition)):
        match part:
            case Compare(SignalValue(name), _, Quantity(limit)):
                limits.setdefault(name, set()).add(limit)
            case Compare(Quantity(limit), _, SignalValue(name)):
                limits.setdefault(name, set()).add(limit)
            case Between(SignalValue(name), low, high):
                limits.setdefault(name, set()).update((low.value, high.value))
            case Crosses(SignalValue(name), level):
                limits.setdefault(name, set()).add(level.value)
            case Compare() | Between() | Crosses():
                # Two signals, or a window over one: there is no limit to stay within.
                always = always or any(signals_of(value) for value in values(part))
            case InSamples():
                always = True  # it counts samples, also those that change nothing
            case _:
                pass
    return Watch(
        tuple(
            Watched(name, tuple(sorted(at)))
            for name, at in limits.items()
            if name.startswith("pack.")
        ),
        tuple(
            (name, age)
            for name in sorted(reads)
            if name.startswith("pack.") and (age := signals[name].max_age) is not None
        ),
        always,
    )


def nothing_new(
    watch: Watch,
    stretches: tuple[Stretch, ...] | None,
    readings: Mapping[str, Reading],
    now: Moment,
    due: Moment,
) -> bool:
    """Whether every comparison is at `now` as it was when the `stretches` were found.

    Also none may then change by itself before `due`, when all is looked at again in any case.
    None: it is not known how they were.
    """
    if watch.always or stretches is None or now >= due:
        return False
    for name, low, high, old in stretches:
        new = readings.get(name)
        if new is old:
            continue
        if type(new) is not Known:
            if type(old) is Known:
                return False
            continue
        value = new.value_at(now)
        if not (low < value < high or low == value == high):
            return False
        slope = new.slope
        if slope and now + ((high if slope > 0 else low) - value) / slope <= due:
            return False
    return True

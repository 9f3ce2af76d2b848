"""Which samples can change a rule: most cannot, and then no rule need be looked at.

Knows the limits that rules compare signals with. Does not know rules. The limits cut each signal's
axis into stretches; while every signal stays in its stretch, and nothing is due, each comparison
keeps its truth, and so does everything made of them.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

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

    def fresh(self, readings: Mapping[str, Reading], now: Moment) -> Mapping[str, Reading]:
        """The readings without those that are stale by now."""
        stale = {
            name
            for name, max_age in self.ages
            if type(reading := readings.get(name)) is Known and now > reading.at + max_age
        }
        return {k: v for k, v in readings.items() if k not in stale} if stale else readings


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
    before: Mapping[str, Reading],
    after: Mapping[str, Reading],
    now: Moment,
    due: Moment,
) -> bool:
    """Whether every comparison is at `now` as it was when `before`, all fresh, was looked at.

    Also none may then change by itself before `due`, when all is looked at again in any case.
    """
    if watch.always or now >= due:
        return False
    for signal in watch.signals:
        new, old = after.get(signal.name), before.get(signal.name)
        if new is old:
            continue
        if type(new) is not Known or type(old) is not Known:
            return False
        value = new.value_at(now)
        stretch = _stretch(signal.limits, value)
        if stretch != _stretch(signal.limits, old.value_at(now)):
            return False
        if new.slope and now + _until_next(signal.limits, value, new.slope) <= due:
            return False
    return True


def _stretch(limits: tuple[float, ...], value: float) -> int:
    """Which stretch of the axis: even between two limits, odd upon one."""
    return bisect_left(limits, value) + bisect_right(limits, value)


def _until_next(limits: tuple[float, ...], value: float, slope: float) -> float:
    """How long (ms) until a value on this slope meets the next limit."""
    if slope > 0:
        place = bisect_right(limits, value)
        return (limits[place] - value) / slope if place < len(limits) else NEVER
    place = bisect_left(limits, value) - 1
    return (limits[place] - value) / slope if place >= 0 else NEVER

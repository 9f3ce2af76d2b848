"""Which rules a sample can change: mostly none, and then no rule need be looked at.

Knows the limits that rules compare signals with, and whose each is. The limits cut each signal's
axis into sections; a rule whose signals all stay in their sections, and for which nothing is due,
keeps the truth of each comparison, and so of everything made of them. Rules are known by their
place among the pack's. Does not know what a rule does when it fires.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping
from math import inf
from typing import NamedTuple, TypeAlias

from carerules.domain.condition import (
    Between,
    Compare,
    Condition,
    Crosses,
    InSamples,
    NumberOfPacks,
    SignalValue,
    values,
    walk,
)
from carerules.domain.frozen import guarded
from carerules.domain.moment import NEVER, Duration, Moment
from carerules.domain.quantity import Known, Quantity, Reading
from carerules.domain.signal import Catalogue
from carerules.engine.value import signals_of

Places: TypeAlias = frozenset[int]
NOBODY: Places = frozenset()


class Section(NamedTuple):
    """Where a signal lay when its rules were looked at: between two limits, or upon one,
    in base units.

    `step` counts both along the axis: even between limits, odd upon one. Unknown or stale, it lay
    nowhere. `line` is the reading, if it moves by itself.
    """

    low: float
    high: float
    step: int
    line: Known | None = None


NOWHERE = Section(inf, -inf, -1)


@guarded
class Watched:
    """One of the pack's own signals: the limits on its axis (base units, sorted), and the
    sections they cut.

    `whose` says by limit for which rules it is one, `readers` has them all. Older than `max_age`
    the signal lies nowhere.
    """

    name: str
    max_age: Duration
    limits: tuple[float, ...]
    sections: tuple[Section, ...]
    whose: tuple[Places, ...]
    readers: Places

    def section(self, reading: Reading | None, now: Moment) -> Section:
        """Where the reading lies at `now`."""
        if type(reading) is not Known or now - reading.at > self.max_age:
            return NOWHERE
        value, limits = reading.value_at(now) if reading.slope else reading.value, self.limits
        found = self.sections[bisect_left(limits, value) + bisect_right(limits, value)]
        return found._replace(line=reading) if reading.slope else found

    def between(self, old: Section, new: Section) -> Places:
        """The rules whose limits lie on the way from one section to another; on another line of its
        own the signal meets each of them at another moment."""
        _, _, before, was = old
        _, _, after, line = new
        if line is not was or (before < 0) is not (after < 0):
            return self.readers
        low, high = (before, after) if before < after else (after, before)
        crossed = self.whose[low // 2 : (high + 1) // 2]
        return crossed[0] if len(crossed) == 1 else NOBODY.union(*crossed)


@guarded
class Watch:
    """All that is watched: the rules that `each_sample` may change, as where two signals are
    compared, and those that `each_look` may, for they see more than the pack's own signals.

    `ages`: how soon each of the pack's own signals that anything reads is stale.
    """

    signals: tuple[Watched, ...]
    ages: tuple[tuple[str, Duration], ...]
    each_sample: Places
    each_look: Places

    def stale_at(self, readings: Mapping[str, Reading], now: Moment) -> Moment:
        """When the next of these readings is stale, if nothing new is heard of it."""
        soonest = NEVER
        for name, max_age in self.ages:
            reading = readings.get(name)
            if type(reading) is Known and now < (stale := reading.at + max_age + 1) < soonest:
                soonest = stale
        return soonest

    def sections(self, readings: Mapping[str, Reading], now: Moment) -> tuple[Section, ...]:
        """Where each signal lies at `now`, in the order of `signals`."""
        return tuple([one.section(readings.get(one.name), now) for one in self.signals])

    def moved(
        self, sections: tuple[Section, ...], readings: Mapping[str, Reading], now: Moment
    ) -> tuple[tuple[Section, ...], Places]:
        """Where each signal lies at `now`, and the rules that may be other than when the old
        `sections` were found, though none of them is due."""
        places, after = self.each_sample, list(sections)
        for number, signal in enumerate(self.signals):
            low, high, _, line = old = sections[number]
            reading = readings.get(signal.name)
            if type(reading) is Known and now - reading.at <= signal.max_age:
                if reading.slope:
                    if reading is line and low < reading.value_at(now) < high:
                        continue
                elif line is None and low < reading.value < high:
                    continue
            new = signal.section(reading, now)
            if new is not old:
                after[number] = new
                whose = signal.between(old, new)
                places = places | whose if places else whose
        return tuple(after), places


def watch_over(
    conditions: Iterable[tuple[int, Condition]], reads: Iterable[str], signals: Catalogue,
    *, each_sample: Places = NOBODY, each_look: Places = NOBODY,
) -> Watch:  # fmt: skip
    """What to watch for these conditions, each of the rule at a place, and for all else that
    `reads` something."""
    limits: dict[str, dict[float, Places]] = {}

    def limit(name: str, *levels: float) -> None:
        at = limits.setdefault(name, {})
        for level in levels:
            at[level] = at.get(level, NOBODY) | {place}

    for place, part in ((place, part) for place, whole in conditions for part in walk(whole)):
        found = list(values(part))
        if not all(name.startswith("pack.") for one in found for name in signals_of(one)) or any(
            isinstance(one, NumberOfPacks) for one in found
        ):
            each_look |= {place}
        match part:
            case Compare(SignalValue(name), _, Quantity(level)):
                limit(name, level)
            case Compare(Quantity(level), _, SignalValue(name)):
                limit(name, level)
            case Between(SignalValue(name), low, high):
                limit(name, low.value, high.value)
            case Crosses(SignalValue(name), level):
                limit(name, level.value)
            case Compare() | Between() | Crosses():
                # Two signals, or a window over one: there is no limit to stay within.
                if any(signals_of(value) for value in found):
                    each_sample |= {place}
            case InSamples():
                each_sample |= {place}  # it counts samples, also those that change nothing
            case _:
                pass
    return Watch(
        tuple(
            _watched(name, signals[name].max_age, at)
            for name, at in limits.items()
            if name.startswith("pack.")
        ),
        tuple(
            (name, age)
            for name in sorted(reads)
            if name.startswith("pack.") and (age := signals[name].max_age) is not None
        ),
        each_sample,
        each_look | each_sample,
    )


def _watched(name: str, max_age: Duration | None, limits: Mapping[float, Places]) -> Watched:
    levels = tuple(sorted(limits))
    sections = [Section(-inf, inf, 0)]
    for level in levels:  # the last one goes up to the limit; then come the limit and what follows
        low, _, step, _ = sections.pop()
        sections += [
            Section(low, level, step),
            Section(level, level, step + 1),
            Section(level, inf, step + 2),
        ]
    whose = tuple(limits[level] for level in levels)
    return Watched(
        name, NEVER if max_age is None else max_age, levels, tuple(sections), whose,
        NOBODY.union(*whose),
    )  # fmt: skip

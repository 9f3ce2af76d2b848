"""Many nights, over several processes, and what they come to.

Knows numbers of nights. Does not know what a night is.
"""

from __future__ import annotations

import gc
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import islice

from carerules.campaign.bounds import Worst
from carerules.campaign.ground import BEGIN
from carerules.campaign.night import Night, Played, play
from carerules.campaign.troubles import TROUBLES
from carerules.domain.moment import HOUR, SECOND, Duration, Moment

BATCH = 25
"""Nights that a process plays between two words: long enough to make the word cheap."""
GARBAGE = 50_000
"""Values that may lie about before they are looked through: 10 MB more at the most (measured)."""
WAITING_MAX = 4  # batches handed out to each process, so that a million nights take no memory


@dataclass
class Tally:
    """What the nights so far come to; `broken` are those with a breach. Times in s but for `time`
    (ms, of the nights)."""

    nights: int = 0
    broken: list[Played] = field(default_factory=list)
    ons: int = 0
    kills: int = 0
    steps: int = 0
    time: Duration = 0
    troubles: Counter[str] = field(default_factory=Counter)
    worst: Worst = field(default_factory=Worst)

    def add(self, played: Played) -> None:
        """One more night."""
        self.nights += 1
        self.ons += played.ons
        self.kills += played.kills
        self.steps += played.steps
        self.time += played.length
        self.troubles.update(one.split(" at ")[0] for one in played.troubles)
        worst, its = self.worst, played.worst
        worst.below_floor_s = max(worst.below_floor_s, its.below_floor_s)
        worst.after_stop_s = max(worst.after_stop_s, its.after_stop_s)
        worst.closed_s += its.closed_s
        if played.breaches:
            self.broken.append(played)

    @property
    def at_most(self) -> float | None:
        """With 95 % confidence fewer than this share of such nights has a breach, in the model only
        (the rule of three); None: one was found."""
        return None if self.broken or not self.nights else min(1.0, 3 / self.nights)

    def flat(self) -> dict[str, object]:
        """The figures, for JSON."""
        return {
            "nights": self.nights,
            "nights_broken": len(self.broken),
            "at_most_share": self.at_most,
            "played_h": round(self.time / HOUR, 1),
            "contact_closed_h": round(self.worst.closed_s * SECOND / HOUR, 1),
            "steps": self.steps,
            "ons": self.ons,
            "kills": self.kills,
            "worst_below_floor_s": round(self.worst.below_floor_s, 1),
            "worst_after_stop_s": round(self.worst.after_stop_s, 1),
            "troubles": dict(sorted(self.troubles.items())),
            "broken": [
                {
                    "again": one.night.again,
                    "breaches": list(one.breaches),
                    "troubles": list(one.troubles),
                }
                for one in self.broken
            ],
        }


def played(nights: Iterable[Night], jobs: int = 1) -> Iterator[Played]:
    """Each night played, in order; over so many processes."""
    if jobs <= 1:
        with _collecting_seldom():
            yield from map(play, nights)
        return
    rest = iter(nights)
    with ProcessPoolExecutor(jobs) as pool:
        waiting = [pool.submit(_batch, some) for some in _batches(rest, jobs * WAITING_MAX)]
        while waiting:
            yield from waiting.pop(0).result()
            waiting += [pool.submit(_batch, some) for some in _batches(rest, 1)]


def _batches(rest: Iterator[Night], count: int) -> Iterator[list[Night]]:
    for _ in range(count):
        some = list(islice(rest, BATCH))
        if not some:
            return
        yield some


def _batch(nights: list[Night]) -> list[Played]:
    with _collecting_seldom():
        return [play(night) for night in nights]


@contextmanager
def _collecting_seldom() -> Iterator[None]:
    """A night leaves a few thousand values behind, and all that was there before it stays: looking
    through both as often as usual takes a fourteenth of the time."""
    usual = gc.get_threshold()
    gc.freeze()
    gc.set_threshold(GARBAGE, 5, 5)
    try:
        yield
    finally:
        gc.set_threshold(*usual)
        gc.unfreeze()


def each_moment(seed: int, number: int, kinds: Iterable[str] = TROUBLES) -> Iterator[Night]:
    """One night again and again, with each trouble alone just after each of its steps."""
    moments = sorted(_steps_of(Night(seed, number, "people cancel", at=0)))
    for kind in kinds:
        for moment in moments:
            yield Night(seed, number, kind, at=moment)


def _steps_of(night: Night) -> set[Duration]:
    return {moment - BEGIN + 1 for moment in _moments(night)}


def _moments(night: Night) -> Iterable[Moment]:
    moments: list[Moment] = []
    play(night, stepped=moments.append)
    return moments

"""Which of the sites that several services share this one takes, lets go, or takes over.

Pure, from what was seen of the database and when. Knows numbers and beats. Does not know how they
were read, nor what owning a site means. No word of another machine's clock comes in here: that
something stands still is measured by our own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from typing import TypeAlias

from carerules.adapters import GONE_AFTER, SiteSeen
from carerules.domain.frozen import guarded
from carerules.domain.moment import HOUR, SECOND, Duration

LOOKS_ROUND: Duration = 3 * SECOND
"""A service that has just begun takes nothing so long, or the first of several that begin together
would take all."""
TURN: Duration = 5 * SECOND
"""A site that nobody has is taken at once by the service that it falls to in turn; by each one
after it so much later, as a service needs some seconds to begin and to show."""
BEYOND_AFTER: Duration = 10 * SECOND
"""Then by anybody, also by one whose share is full."""
SETTLED: Duration = 20 * SECOND
"""A share that is too large shrinks by one site, and so long after the last change: what is let go
goes off, is read back and begins anew elsewhere."""
AGAIN_AT_FIRST: Duration = 5 * SECOND
AGAIN_MAX: Duration = 60 * SECOND
"""A site that failed here is tried again later and later, so that another service may have it."""
SERVED_WELL: Duration = 60 * SECOND
"""One that was served for so long before is tried again as after a first failure."""
FORGOTTEN_AFTER: Duration = 60 * SECOND


@guarded
class Take:
    """Begin to serve a site that nobody has."""

    site: str


@guarded
class Evict:
    """End the ownership of a site whose owner shows no sign of life."""

    site: str
    fence: int
    beats: int


@guarded
class LetGo:
    """Leave a site to another service."""

    site: str


Act: TypeAlias = Take | Evict | LetGo


@dataclass(slots=True)
class _Still:
    """Since when something has not moved."""

    what: object
    since: Duration


class Shares:
    """One service's part of the sites. One thread."""

    def __init__(self, sites: Sequence[str]) -> None:
        self.sites = tuple(sites)
        self._moved: dict[str, _Still] = {}
        self._free: dict[str, Duration] = {}
        self._peers: dict[int, _Still] = {}
        self._not_before: dict[str, Duration] = {}
        self._waits: dict[str, Duration] = {}
        self._took: dict[str, Duration] = {}
        self._settles = SETTLED
        self._changed: Duration | None = None
        self._began: Duration | None = None

    def failed(self, site: str, now: Duration) -> None:
        """It could not be served here: not tried again for a while."""
        well = now - self._took.get(site, now) >= SERVED_WELL
        wait = AGAIN_AT_FIRST if well else self._waits.get(site, AGAIN_AT_FIRST)
        self._waits[site] = min(AGAIN_MAX, 2 * wait)
        self._not_before[site] = now + wait

    def look(
        self, now: Duration, seen: Mapping[str, SiteSeen], peers: Mapping[int, int], me: int,
        mine: Set[str],
    ) -> list[Act]:  # fmt: skip
        """What to do now. `peers`: the beats of each service by its number, ours among them;
        `mine`: the sites that are served here, or about to be."""
        alive = self._alive(now, peers, me)
        share = -(-len(self.sites) // len(alive))
        acts: list[Act] = list(self._gone(now, seen))
        self._began = now if self._began is None else self._began
        if now - self._began >= LOOKS_ROUND:
            acts += self._taken(now, seen, mine, share, self._in_turn(alive, me))
        if any(not isinstance(act, Evict) for act in acts) or self._changed is None:
            self._changed = now
        too_many = not acts and not self._free and len(mine) > share
        if too_many and now - self._changed >= self._settles:
            self._changed = now
            last = [site for site in self._in_turn(alive, me) if site in mine][-1]
            self._not_before[last] = now + BEYOND_AFTER
            return [LetGo(last)]
        return acts

    def forgotten(self, now: Duration) -> list[int]:
        """Services that have been gone for so long that nobody need watch them."""
        return [n for n, one in self._peers.items() if now - one.since >= FORGOTTEN_AFTER]

    def _alive(self, now: Duration, peers: Mapping[int, int], me: int) -> list[int]:
        self._peers = {
            number: self._peers[number]
            if number in self._peers and self._peers[number].what == beats
            else _Still(beats, now)
            for number, beats in peers.items()
        }
        others = (n for n, one in self._peers.items() if now - one.since < GONE_AFTER)
        return sorted({me, *others})

    def _in_turn(self, alive: Sequence[int], me: int) -> dict[str, int]:
        """How many services come before us for each site, when each takes every so manieth; those
        that fall to us first. So two that begin together do not try for the same one."""
        count, place = len(alive), alive.index(me)
        ahead = {site: (place - i) % count for i, site in enumerate(self.sites)}
        return dict(sorted(ahead.items(), key=lambda one: one[1]))

    def _gone(self, now: Duration, seen: Mapping[str, SiteSeen]) -> Iterator[Evict]:
        for site, one in seen.items():
            before = self._moved.get(site)
            if before is None or before.what != one:
                self._moved[site] = _Still(one, now)
            elif one.owned and now - before.since >= GONE_AFTER:
                yield Evict(site, one.fence, one.beats)

    def _taken(
        self, now: Duration, seen: Mapping[str, SiteSeen], mine: Set[str], share: int,
        in_turn: Mapping[str, int],
    ) -> Iterator[Take]:  # fmt: skip
        nobodys = {site for site, one in seen.items() if not one.owned and site not in mine}
        self._free = {site: self._free.get(site, now) for site in nobodys}
        room = share - len(mine)
        for site, ahead in in_turn.items():
            if site not in nobodys or now < self._not_before.get(site, now):
                continue
            waits = BEYOND_AFTER if room <= 0 else min(BEYOND_AFTER, ahead * TURN)
            if now - self._free[site] < waits:
                continue
            if room <= 0:
                # Nobody wanted what was let go: to let go again helps less and less.
                self._settles = min(HOUR, 2 * self._settles)
            room -= 1
            self._took[site] = now
            yield Take(site)

"""The virtual site behind the seam that the service works through, at any speed.

Knows the world and a pace. Does not know who listens.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace
from threading import Event as Flag
from typing import TYPE_CHECKING

from carerules.domain.decision import Command
from carerules.domain.event import Event, Tick
from carerules.domain.moment import Moment
from carerules.domain.ports import Outside
from carerules.sim.world import VirtualSite

ENTRIES_MAX = 1_024
"""Manual entries waiting to be heard: far more than hands can enter between two waits."""

BEHIND_MAX_MS = 1_000
"""A listener that is slower than the pace is waited for: no rush to catch up afterwards."""


class VirtualOutside:
    """`domain.ports.Outside` over a virtual site.

    Time goes on in `wait` alone, so whoever listens is never outrun, at any speed. `speed` is
    virtual time over real time, and needs `real_ms`, a clock that only runs forward; None: as fast
    as it goes. `pause(flag, seconds)` sleeps until the flag is set, and says whether it was; tests
    pass their own. Raises `ValueError` for a speed without a clock. `inject` and `close` may be
    called from any thread, the rest from one.
    """

    def __init__(
        self,
        world: VirtualSite,
        *,
        speed: float | None = None,
        real_ms: Callable[[], int] | None = None,
        pause: Callable[[Flag, float], bool] = Flag.wait,
    ) -> None:
        if speed is not None and (real_ms is None or not speed > 0):
            raise ValueError(f"found a speed of `{speed}`, wanted one above 0, and a clock for it")
        self.world = world
        self._speed, self._pause = speed, pause
        self._real_ms = real_ms if real_ms is not None else _stands_still
        self._entries: deque[Event] = deque()
        self._woken = Flag()
        self._closed = False
        # At this real time (ms) the world was, or should have been, at this moment.
        self._pace_real = float(self._real_ms())
        self._pace_virtual = world.now

    def now(self) -> Moment:
        """How far the world has come; the last `wait` brought it there."""
        return self.world.now

    def wait(self, due: Moment) -> Sequence[Event]:
        """What is heard next, all of one moment; a `Tick` at `due` when that comes first.

        A manual entry that comes while it sleeps is heard at once. Closed: a `Tick` at once.
        """
        world = self.world
        due = max(due, world.now)
        while not self._closed:
            if self._entries:
                return self._take_entries()
            target = min(due, max(world.next_at(), world.now))
            if self._speed is not None and self._sleeps_until(target):
                continue
            heard = world.advance_once(target)
            if heard:
                return heard
            if target == due:
                return (Tick(due),)
        return (Tick(self.world.now),)

    def perform(self, command: Command) -> None:
        """Send a command to a virtual plug; its answer is heard 50 to 300 ms later."""
        self.world.send(command)

    def inject(self, event: Event) -> None:
        """A person enters something: it is heard at the next `wait`, stamped anew, and done.

        Raises ValueError when more are waiting than hands can enter.
        """
        if len(self._entries) >= ENTRIES_MAX:
            raise ValueError(f"found {ENTRIES_MAX} entries waiting already; try again later")
        self._entries.append(event)
        self._woken.set()

    def close(self) -> None:
        """Wake whoever waits, for the last time."""
        self._closed = True
        self._woken.set()

    def _take_entries(self) -> list[Event]:
        """The entries as of this moment, done in the world."""
        self._woken.clear()
        heard: list[Event] = []
        while self._entries:
            entry = replace(self._entries.popleft(), heard=self.world.now)
            self.world.tell(entry)
            heard.append(entry)
        return heard

    def _sleeps_until(self, target: Moment) -> bool:
        """Sleep to the pace; whether somebody woke us before, and the world came only so far."""
        assert self._speed is not None
        real = self._real_ms()
        wanted = self._pace_real + (target - self._pace_virtual) / self._speed
        self._pace_real, self._pace_virtual = max(wanted, real - BEHIND_MAX_MS), target
        if wanted <= real or not self._pause(self._woken, (wanted - real) / 1_000):
            return False
        self._woken.clear()
        slept = min(target, round(target - (wanted - self._real_ms()) * self._speed))
        # Nothing lies between here and the target, so nothing is heard on the way.
        self.world.advance_once(max(self.world.now, min(slept, target - 1)))
        self._pace_real, self._pace_virtual = float(self._real_ms()), self.world.now
        return True


def _stands_still() -> int:
    return 0


if TYPE_CHECKING:
    _SEAM: type[Outside] = VirtualOutside  # the checker's word that it fits

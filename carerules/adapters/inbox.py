"""One queue for everything that is heard: stamped as it arrives, taken in the same order.

Knows order and limits. Does not know what is said.

`heard` never runs backwards: a moment is read and its message put in its place under one lock, and
a `Tick` is given only under that lock, when nothing waits. A message is stamped on arrival and not
when it is taken, so that a plug's word from before a command cannot pass for one from after it.
What a message says is worked out by the taker, so that a flood costs the network threads little.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace
from enum import Enum
from threading import Condition, Lock, get_ident
from typing import TypeAlias

from carerules.adapters.clock import LineClock
from carerules.adapters.problem import quoted
from carerules.domain.event import Event, Rejected, Tick
from carerules.domain.frozen import guarded
from carerules.domain.moment import MINUTE, Duration, Moment

WAIT_S_MAX = 1.0
"""A wait is counted on a clock that stops in suspend: after a resume it lasts a second at most."""

ROOM_WAIT_S = 1.0
"""So long a sender waits for room among what is kept; the evaluator, which makes room, never does.
Ten times a turn with a slow disk under it; a plug's timer of 90 s bears the wait."""

BATCH_MAX = 64  # taken at once; the evaluator makes one commit of them
REPORT_EVERY: Duration = 1 * MINUTE  # a sender that is refused each second is told of each minute
ORIGINS_MAX = 1_024  # twice the topics of a large site


class Lane(Enum):
    """What may be dropped when too much comes, and how many wait at most."""

    SAMPLE = "samples"
    PLUG = "plug reports"
    REFUSED = "refusals"
    KEPT = "kept"


LANE_MAX: dict[Lane, int] = {
    Lane.SAMPLE: 1_024,  # ten seconds of a hundred packs, each sending once a second
    Lane.PLUG: 1_024,  # apart, so that a flood of samples cannot push out a plug's word
    Lane.REFUSED: 256,  # anybody at the broker can cause one; a minute has one of each origin
    Lane.KEPT: 1_024,  # links, people: few by nature. Their sender waits; none is pushed out
}

Read: TypeAlias = Callable[[Moment], Sequence[Event]]
"""What was heard, as events, once the moment is known."""

Put: TypeAlias = Callable[[Lane, Read], None]


@guarded
class _Item:
    number: int
    heard: Moment
    read: Read


class Inbox:
    """Any thread puts, one thread takes."""

    def __init__(self, clock: LineClock) -> None:
        self._clock = clock
        lock = Lock()
        self._some, self._room = Condition(lock), Condition(lock)
        self._taker = 0
        self._lanes: dict[Lane, deque[_Item]] = {lane: deque() for lane in Lane}
        self._number = 0
        self._dropped = dict.fromkeys(Lane, 0)
        self._thinner = Thinner()

    @property
    def dropped(self) -> dict[str, int]:
        """How many were dropped since the start, by lane: the oldest, but of what is kept the
        newest."""
        with self._some:
            return {lane.value: count for lane, count in self._dropped.items() if count}

    def put(self, lane: Lane, read: Read) -> None:
        """Stamp it and queue it; where a lane is full, its oldest goes. Where it is full of what is
        kept, the sender waits for a second, and is refused then. Each drop is counted and told."""
        with self._some:
            if lane is Lane.KEPT and get_ident() != self._taker:
                self._room.wait_for(lambda: not self._is_full(lane), ROOM_WAIT_S)
            self._append(lane, read)
            self._some.notify()

    def now(self) -> Moment:
        """This moment on the line."""
        return self._clock.now()

    def take(self, due: Moment) -> Sequence[Event]:
        """What was heard next, in order; a single `Tick` when `due` comes first.

        A stepped wall clock or a suspend is heard here too, as `ClockSet`.
        """
        while True:
            taken = self._wait(due)
            if isinstance(taken, Tick):
                return (taken,)
            events = [event for item in taken for event in self._read(item)]
            if events:
                return events

    def _wait(self, due: Moment) -> list[_Item] | Tick:
        with self._some:
            self._taker = get_ident()
            while True:
                change = self._clock.changed()
                if change is not None:
                    self._append(Lane.KEPT, lambda heard, c=change: (replace(c, heard=heard),))  # type: ignore[misc]
                taken = [item for _ in range(BATCH_MAX) if (item := self._pop()) is not None]
                if taken:
                    self._room.notify_all()
                    return taken
                now = self._clock.now()
                if now >= due:
                    return Tick(now)
                self._some.wait(min((due - now) / 1_000, WAIT_S_MAX))

    def _append(self, lane: Lane, read: Read) -> None:
        queue = self._lanes[lane]
        if self._is_full(lane):
            count = self._dropped[lane] = self._dropped[lane] + 1
            if lane is not Lane.KEPT:
                # The oldest: what a pack shows now matters more than what it showed.
                queue.popleft()
            if lane is Lane.REFUSED:
                read = _told_dropped(lane, count)
            elif count == 1 or count % LANE_MAX[lane] == 0 or lane is Lane.KEPT:
                self._append(Lane.REFUSED, _told_dropped(lane, count))
            if lane is Lane.KEPT:
                return
        self._number += 1
        queue.append(_Item(self._number, self._clock.now(), read))

    def _is_full(self, lane: Lane) -> bool:
        return len(self._lanes[lane]) >= LANE_MAX[lane]

    def _pop(self) -> _Item | None:
        waiting = [queue for queue in self._lanes.values() if queue]
        if not waiting:
            return None
        return min(waiting, key=lambda queue: queue[0].number).popleft()

    def _read(self, item: _Item) -> list[Event]:
        try:
            events = item.read(item.heard)
        except Exception as error:
            # A door must not raise. If one does, the sender must not be able to end the service.
            events = (Rejected(item.heard, "carerules", f"it failed to read: {quoted(error)}"),)
        kept = []
        for event in events:
            thinned = self._thinner.pass_on(event) if isinstance(event, Rejected) else event
            if thinned is not None:
                kept.append(thinned)
        return kept


def _told_dropped(lane: Lane, count: int) -> Read:
    return lambda heard: (Rejected(heard, f"inbox {lane.value}", f"{count} too many, dropped"),)


class Thinner:
    """Lets one refusal of each origin through each minute, so that no sender fills the journal."""

    def __init__(self) -> None:
        self._last: dict[str, Moment] = {}
        self._more: dict[str, int] = {}

    def pass_on(self, event: Rejected) -> Rejected | None:
        """The refusal, with how many like it were held back; or nothing."""
        last = self._last.get(event.origin)
        if last is not None and event.heard < last + REPORT_EVERY:
            self._more[event.origin] = self._more.get(event.origin, 0) + 1
            return None
        if len(self._last) >= ORIGINS_MAX:
            self._last.clear()
            self._more.clear()
        self._last[event.origin] = event.heard
        more = self._more.pop(event.origin, 0)
        return replace(event, why=f"{event.why} (and {more} more)") if more else event

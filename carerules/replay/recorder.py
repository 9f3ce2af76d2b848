"""From a site's facts to a tape: what every rule could have seen, whichever rules there were.

Knows events and worlds. Does not know rules, nor where the facts are kept. The estimates are those
of the loop, which looks on with no rules at all; each fact stands at its own time.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from heapq import heappop, heappush
from math import nan

import numpy as np

from carerules.domain.decision import Outcome
from carerules.domain.event import Event, Happened, Sample, Tick
from carerules.domain.frozen import guarded
from carerules.domain.moment import MINUTE, NEVER, Duration, LocalTime, Moment
from carerules.domain.plan import Plan
from carerules.domain.quantity import Known, Reading
from carerules.loop import (
    LATENESS,
    Setup,
    World,
    learn,
    make_setup,
    new_world,
    station_readings,
    stranger,
)
from carerules.replay.tape import Column, Tape, Told

HELD_BACK: Duration = MINUTE
"""So long facts wait for earlier ones: twice the lateness, so that a message's way is no order."""


FACTS_MAX = 10_000_000
"""Two months of a hundred packs that say something each minute; about 2 GB of rows."""


class TooMuchError(Exception):
    """More facts than one replay takes."""


@guarded
class Recording:
    """The tape of a site, how many facts it is made of, and how many came too late for it."""

    tape: Tape
    facts: int
    left_out: int


def record(
    told: Iterable[tuple[Event, Sequence[Outcome]]],
    setup: Setup,
    reads: Iterable[str],
    until: Moment,
) -> Recording | None:
    """The tape up to `until` of the signals that `reads` names; None: nothing was heard by then.

    `told` has each event and what was decided on it then: what a rule marked is a fact too.
    Raises `TooMuchError` beyond `FACTS_MAX` facts.
    """
    order = _InTime()
    recorder: _Recorder | None = None
    facts = 0
    for event, decided in order.of(told):
        if event.heard > until:
            break
        if stranger(setup, event):
            continue
        if recorder is None:
            recorder = _Recorder(setup, frozenset(reads), event.heard)
        facts += 1
        if facts > FACTS_MAX:
            raise TooMuchError
        recorder.note(event, decided)
    if recorder is None:
        return None
    return Recording(recorder.tape(until), facts, order.left_out)


@dataclass(slots=True)
class _InTime:
    """Facts in the order of when they were true, as far as the loop would have put them there."""

    left_out: int = 0
    _seen: dict[str, Moment] = field(default_factory=dict)

    def of(
        self, told: Iterable[tuple[Event, Sequence[Outcome]]]
    ) -> Iterator[tuple[Event, Sequence[Outcome]]]:
        waiting: list[tuple[Moment, int, Event, Sequence[Outcome]]] = []
        for number, (event, decided) in enumerate(told):
            heard = event.heard
            placed = self._placed(event)
            if placed is not None:
                heappush(waiting, (placed.heard, number, placed, decided))
            while waiting and waiting[0][0] < heard - HELD_BACK:
                yield heappop(waiting)[2:]
        while waiting:
            yield heappop(waiting)[2:]

    def _placed(self, event: Event) -> Event | None:
        """The fact as if heard when it was true; None: it came too late for that."""
        if not isinstance(event, (Sample, Happened)) or event.at > event.heard:
            return event
        seen = self._seen.get(event.pack, event.at)
        if event.at < seen - LATENESS:
            self.left_out += 1
            return None
        self._seen[event.pack] = max(seen, event.at)
        on_its_way = event.heard - event.at
        return replace(event, heard=event.at) if on_its_way <= HELD_BACK else event


@dataclass(slots=True)
class _Rows:
    """One signal of one pack, row by row."""

    moment: array[int] = field(default_factory=lambda: array("q"))
    order: array[int] = field(default_factory=lambda: array("q"))
    value: array[float] = field(default_factory=lambda: array("d"))
    since: array[int] = field(default_factory=lambda: array("q"))
    slope: array[float] = field(default_factory=lambda: array("d"))

    def add(self, moment: Moment, order: int, reading: Reading | None) -> None:
        self.moment.append(moment)
        self.order.append(order)
        self.value.append(reading.value if isinstance(reading, Known) else nan)
        self.since.append(reading.at if isinstance(reading, Known) else moment)
        self.slope.append(reading.slope if isinstance(reading, Known) else 0.0)


@dataclass(slots=True)
class _Heard:
    """What one pack has heard so far. The beginning is a look of its own, before any fact."""

    rows: dict[str, _Rows]
    moment: Moment
    order: int = 0
    told: list[Told] = field(default_factory=list)
    readings: dict[str, Reading | None] = field(default_factory=dict)


class _Recorder:
    def __init__(self, setup: Setup, reads: frozenset[str], begins: Moment) -> None:
        bare = make_setup(setup.site, setup.chemistries, setup.signals, Plan())
        self._world = new_world(bare, begins)
        self._begins = begins
        self._own = tuple(name for name in reads if name.startswith("pack."))
        self._station = tuple(name for name in reads if name.startswith("station."))
        self._site = tuple(name for name in reads if name.startswith("site."))
        self._heard = {
            name: _Heard({signal: _Rows() for signal in reads}, begins) for name in setup.site.packs
        }
        self._local: list[tuple[Moment, LocalTime]] = [(begins, self._world.local)]
        packs = setup.site.packs.items()
        self._by_themselves = [name for name, pack in packs if pack.discharges_after is not None]

    def note(self, event: Event, decided: Sequence[Outcome]) -> None:
        """One fact; before it, what packs with a circuit of their own did by themselves."""
        while (due := self._due()) < event.heard:
            self._learn(Tick(due), ())
        if event.heard >= self._world.now:
            self._learn(event, decided)

    def _due(self) -> Moment:
        return min((self._world.packs[name].due for name in self._by_themselves), default=NEVER)

    def _learn(self, event: Event, decided: Sequence[Outcome]) -> None:
        before = self._world
        world = self._world = learn(before, event, decided)
        if world.local != before.local:
            self._local.append((event.heard, world.local))
        at = event.heard
        if isinstance(event, (Sample, Happened)):
            at = min(at, event.at)  # a sender's clock may be ahead of ours
        around = world.room is not before.room or (
            self._station and world.plugs is not before.plugs
        )
        for name, state in world.packs.items():
            if around or state is not before.packs[name]:
                self._compare(name, world, at)

    def _compare(self, name: str, world: World, at: Moment) -> None:
        """Take down what changed for the pack."""
        state, heard = world.packs[name], self._heard[name]
        now: dict[str, Reading | None] = {
            signal: state.estimate.readings.get(signal) for signal in self._own
        }
        if self._station:
            place = station_readings(world, state.station) if state.station else {}
            now |= {signal: place.get(signal) for signal in self._station}
        now |= {signal: world.room.get(signal) for signal in self._site}
        old = heard.readings
        news = [signal for signal, reading in now.items() if reading != old.get(signal)]
        was = heard.told[-1] if heard.told else Told(0, 0, {}, ())
        facts = state.happened != was.happened or state.uses != was.uses
        if not news and not facts:
            return
        moment = max(at, heard.moment, self._begins)
        heard.order = heard.order + 1 if moment == heard.moment else 0
        heard.moment, heard.readings = moment, now
        for signal in news:
            heard.rows[signal].add(moment, heard.order, now[signal])
        if facts:
            heard.told.append(Told(moment, heard.order, state.happened, state.uses))

    def tape(self, until: Moment) -> Tape:
        """All that was heard, and nothing more up to `until`."""
        while (due := self._due()) <= until:
            self._learn(Tick(due), ())
        names = (*self._own, *self._station, *self._site)
        return Tape(
            tuple(self._heard), self._begins, max(until, self._world.now),
            {name: self._column(name) for name in names}, tuple(self._local),
            {name: tuple(heard.told) for name, heard in self._heard.items()},
        )  # fmt: skip

    def _column(self, name: str) -> Column:
        rows = [heard.rows[name] for heard in self._heard.values()]
        first = np.cumsum([0, *(len(one.moment) for one in rows)])
        return Column(
            first,
            np.concatenate([np.array(one.moment, np.int64) for one in rows]),
            np.concatenate([np.array(one.value, np.float64) for one in rows]),
            np.concatenate([np.array(one.order, np.int64) for one in rows]),
            np.concatenate([np.array(one.since, np.int64) for one in rows]),
            np.concatenate([np.array(one.slope, np.float64) for one in rows]),
        )

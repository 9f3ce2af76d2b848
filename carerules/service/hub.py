"""The service at a hub: what changed goes out, orders come in as entries; in a thread of its own.

Knows worlds, when one looks, and what waits for an answer. Does not know what a hub is shown, nor
what an order means (`carerules.hub`). The evaluator never waits for anything here: it leaves the
newest world, and takes orders out of its inbox like anything else that is heard.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from random import uniform
from threading import Event as Flag
from threading import Thread
from time import monotonic
from uuid import uuid4

from carerules.adapters import Entry, Lane, Problem, Put, Stop, quoted, to_events
from carerules.adapters.address import broker_password
from carerules.adapters.hubline import Ears, HubLine
from carerules.config import SiteFile
from carerules.domain.decision import ChoreClosed, ChoreOpened, Outcome
from carerules.domain.event import Event, Rejected
from carerules.domain.frozen import guarded
from carerules.domain.moment import SECOND, Duration, Moment
from carerules.hub import (
    BY,
    CHORE,
    Convention,
    Device,
    House,
    Memo,
    Order,
    entry_of,
    full_since,
    house_of,
    is_stop,
    pack_device,
    places_of,
    short,
    shown_packs,
    shown_stations,
    site_device,
    station_device,
)
from carerules.loop import PackState, World
from carerules.service.desk import answer_of, entry_events
from carerules.service.hublines import Broom, MakeLine, Sweep, closed, conventions_of

LOOK_S = 0.5
BIRTH_S_MAX = 5.0
"""After a hub's start everybody at its broker speaks at once: each waits for a time of its own."""
ANEW_S = 30.0
"""A pack in which nothing moves is looked at so often: what lies ahead comes nearer."""
SILENT_S = 15.0
"""The evaluator comes round each second; one that has not for so long is told not to be there."""
LATE: Duration = 10 * SECOND
STOP_EVERY_S = 0.5
TELL_EVERY_S = 1.0
ORDERS_A_MINUTE = 60
"""A person presses no more; what does is no person."""
HAPPENINGS_MAX = 64
ORIGIN_CHARS_MAX = 120
"""Of a topic in the log: a stranger's may have 65 535 bytes."""


@dataclass(slots=True)
class _Looked:
    """A pack as it was last looked at."""

    state: PackState
    at_s: float
    device: Device


@guarded
class _Made:
    """What brokers should remember of a house, in each convention."""

    house: House
    alive: bool
    kept: Sequence[Mapping[str, str]]


class Hub:
    """Shows a site from `start` to `close`. `faulted` says why nothing can be switched on."""

    def __init__(
        self, site: SiteFile, world: World, put: Put, now: Callable[[], Moment],
        faulted: Callable[[], str], *, line: MakeLine = HubLine,
        clock_s: Callable[[], float] = monotonic,
    ) -> None:  # fmt: skip
        """Asked only of a site with a hub and a broker; raises `AddressError`."""
        assert site.hub is not None
        assert site.mqtt is not None
        settings = site.hub
        self._site, self._world, self._put, self._now = site.site, world, put, now
        self._faulted, self._every_s, self._clock_s = faulted, settings.every / SECOND, clock_s
        self._places = places_of(site.site, settings.key, controls=settings.controls)
        self._conventions, unspoken = conventions_of(settings, self._places)
        password = broker_password(site.mqtt)
        name = f"{site.mqtt.client_id or 'carerules'}-hub-{uuid4().hex[:8]}"
        self._lines = [
            line(f"{name}-{number}", site.mqtt, password, convention, self._ears(convention))
            for number, convention in enumerate(self._conventions)
        ]
        self._sweep = Sweep([
            line(f"{name}-x{number}", site.mqtt, password, Broom(one), self._ears(one))
            for number, one in enumerate(unspoken)
        ])  # fmt: skip
        self._memos = [Memo(convention) for convention in self._conventions]
        self._packs: dict[str, _Looked] = {}
        self._made: _Made | None = None
        self._full: dict[str, Moment | None] = {}
        self._answer, self._dropped, self._told_s = "", 0, self._clock_s()
        self._house = self._look(self._clock_s())
        self._looked_s, self._again_s = 0.0, 0.0
        self._chores: dict[str, tuple[str, str]] = {}
        self._happenings: deque[tuple[str, str, str]] = deque(maxlen=HAPPENINGS_MAX)
        self._awaited: dict[int, tuple[Event, str]] = {}
        self._stopped_s, self._dropped_s = 0.0, 0.0
        self._lately: deque[float] = deque(maxlen=ORDERS_A_MINUTE)
        self._leaving, self._kick = Flag(), Flag()
        self._thread = Thread(target=self._run, name="hub", daemon=True)

    def start(self) -> None:
        """Begin to connect and to show."""
        for line in self._lines:
            line.start()
        self._sweep.start()
        self._thread.start()

    def close(self) -> None:
        """Say what is new, and goodbye."""
        self._leaving.set()
        self._kick.set()
        self._thread.join(2.0)
        closed(self._lines)
        self._sweep.close()

    def tell(self, event: Event, outcomes: Sequence[Outcome], world: World) -> None:
        """What was heard and decided; on the evaluator's thread, which nothing here may end."""
        self._guarded(lambda: self._hear(event, outcomes, world))

    def _hear(self, event: Event, outcomes: Sequence[Outcome], world: World) -> None:
        self._world, self._told_s = world, self._clock_s()
        awaited = self._awaited.pop(id(event), None)
        if awaited is not None:
            self._answer = f"{awaited[1]}: {answer_of([event], outcomes)}"
        for outcome in outcomes:
            match outcome:
                case ChoreOpened(key, pack, text):
                    self._chores[key] = (pack, text)
                    self._happenings.append((pack, "opened", text))
                case ChoreClosed(key):
                    pack, text = self._chores.pop(key, ("", key))
                    self._happenings.append((pack, "closed", text))
                case _:
                    pass

    # ---- what is shown -----------------------------------------------------------------------

    def _run(self) -> None:
        while not self._leaving.is_set():
            self._kick.wait(LOOK_S)
            self._kick.clear()
            if not self._guarded(lambda: self._turn(self._clock_s())):
                self._leaving.wait(LOOK_S)
        # What has just been switched off is shown so.
        self._guarded(lambda: self._shown(self._clock_s()))

    def _guarded(self, what: Callable[[], None]) -> bool:
        """Whatever goes wrong, the next look may do better; the log has it."""
        try:
            what()
        except Exception as error:
            self._fault(f"what it is shown cannot be made: {quoted(error)}")
            return False
        return True

    def _turn(self, now_s: float) -> None:
        for line, convention in zip(self._lines, self._conventions, strict=True):
            for heard in line.orders():
                order = convention.order(self._house, heard.topic, heard.payload)
                if order is None:
                    self._drop(heard.topic, "nothing of this site is set there")
                else:
                    self._take(order)
        if self._again_s and now_s >= self._again_s:
            self._again_s = 0.0
            for line in self._lines:
                line.again()
        if now_s - self._looked_s >= self._every_s or self._happenings:
            self._looked_s = now_s
            self._house = self._look(now_s)
        self._shown(now_s)
        self._tell_happenings()

    def _shown(self, now_s: float) -> None:
        alive = now_s - self._told_s < SILENT_S
        if self._made is None or (self._made.house, self._made.alive) != (self._house, alive):
            kept = [memo.wanted(self._house, alive=alive) for memo in self._memos]
            self._made = _Made(self._house, alive, kept)
        for line, kept_there in zip(self._lines, self._made.kept, strict=True):
            line.pump(kept_there)
        self._sweep.go_on()

    def _look(self, now_s: float) -> House:
        world, places = self._world, self._places
        packs = [self._pack(world, name, now_s) for name in shown_packs(world)]
        stations = [station_device(world, name, places) for name in shown_stations(world)]
        site = site_device(world, places, self._answer, self._dropped, self._faulted())
        return house_of(places, site, packs, stations)

    def _pack(self, world: World, name: str, now_s: float) -> Device:
        """What lies ahead of a pack is costly to foresee: looked at where something has changed."""
        known, state = self._packs.get(name), world.packs[name]
        if known is not None and known.state is state and now_s - known.at_s < ANEW_S:
            return known.device
        self._full[name] = full_since(world, name, self._full.get(name))
        device = pack_device(world, name, self._places, self._full[name])
        self._packs[name] = _Looked(state, now_s, device)
        return device

    def _tell_happenings(self) -> None:
        while self._happenings:
            pack, kind, text = self._happenings.popleft()
            place = self._places.pack(pack) if pack in self._places.packs else "site"
            for line, convention in zip(self._lines, self._conventions, strict=True):
                said = convention.happening(self._house, place, CHORE, kind, text)
                said = said or convention.happening(self._house, "site", CHORE, kind, text)
                if said is not None:
                    line.say(*said)

    # ---- what is ordered ---------------------------------------------------------------------

    def _ears(self, convention: Convention) -> Ears:
        def order(topic: str, payload: str) -> bool:
            """A stop waits for nobody; on the line's own thread."""
            asked = convention.order(self._house, topic, payload)
            if asked is None or not is_stop(asked):
                return False
            now_s = self._clock_s()
            if now_s - self._stopped_s >= STOP_EVERY_S:
                self._stopped_s = now_s
                self._enter(Stop(BY), "stop everything")
            return True

        def born() -> None:
            self._again_s = self._clock_s() + uniform(0.1, BIRTH_S_MAX)

        return Ears(order, self._drop, born, self._fault, self._wake)

    def _wake(self) -> None:
        self._kick.set()

    def _take(self, order: Order) -> None:
        now_s = self._clock_s()
        if len(self._lately) == ORDERS_A_MINUTE and now_s - self._lately[0] < 60:
            self._drop(order.place, f"more than {ORDERS_A_MINUTE} orders a minute")
            return
        self._lately.append(now_s)
        world = self._world
        entry = entry_of(order, self._site, self._places, world.local.read(self._now()))
        words = f"{order.place} {order.property}"
        if isinstance(entry, Problem):
            self._answer = f"{words}: refused: {entry.show()}"
            self._drop(order.place, entry.show())
        else:
            self._enter(entry, words)

    def _enter(self, entry: Entry, words: str) -> None:
        """The same entry that a person makes, into the evaluator's inbox."""

        def read(heard: Moment) -> Sequence[Event]:
            if self._now() - heard > LATE and not isinstance(entry, Stop):
                self._answer = f"{words}: refused: it came too late"
                return (Rejected(heard, "the hub", f"{words}: an order that waited too long"),)
            events = (
                to_events(entry, heard, self._world.local)
                if isinstance(entry, Stop)
                else entry_events(entry, heard, self._world)
            )
            for event in events:
                if isinstance(event, Rejected):
                    self._answer = f"{words}: refused: {event.why}"
                else:
                    self._awaited[id(event)] = (event, words)
            return events

        self._put(Lane.KEPT, read)
        self._kick.set()

    def _fault(self, why: str) -> None:
        """The line's trouble, or ours: the log has one a minute of it."""
        self._put(Lane.REFUSED, lambda heard: (Rejected(heard, "the hub", why),))

    def _drop(self, origin: str, why: str) -> None:
        """What is not obeyed is counted and shown, and journalled once a second at most: a flood of
        it pushes nothing else out of the inbox."""
        self._dropped += 1
        origin = short(origin)[:ORIGIN_CHARS_MAX]
        now_s = self._clock_s()
        if now_s - self._dropped_s >= TELL_EVERY_S:
            self._dropped_s = now_s
            self._put(Lane.REFUSED, lambda heard: (Rejected(heard, origin, why),))

"""A site's calendars: looked at on a thread of their own, so that nobody waits for them.

Knows when one looks, and how what must change gets into the inbox. Does not know what stands in a
calendar (`carerules.calendar`). The evaluator's part is a difference between what is planned and
what is wanted, a few events at a time.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from threading import Event as Flag
from threading import Thread
from time import monotonic

from carerules.adapters import Lane, Put, quoted
from carerules.calendar import Occurrence, Pick, changes, wanted_of
from carerules.config import CalendarSettings, SiteFile
from carerules.domain.decision import Notice
from carerules.domain.event import Event, Rejected, UseDropped, UsePlanned
from carerules.domain.moment import DAY, MINUTE, SECOND, Duration, Moment, show_duration
from carerules.domain.pack import Use
from carerules.loop import World
from carerules.service.almanac import Almanac, Looked

AT_ONCE = 16
"""Changes in one batch: each is a step of the world, and the loop must come round."""
PAUSE_S = 0.5
"""Between two batches others have their turn."""
TAKEN_S_MAX = 60.0
"""An evaluator that has not come round for so long is hung, and others see to that."""
RETRY: Duration = 5 * MINUTE
"""What cannot be reached is tried again sooner than its turn: a phone's hotspot comes and goes."""
OLD: Duration = DAY
"""A copy that nobody could renew for so long is told as a notice; before that it is in the log."""

Urge = Callable[[Notice], None]
Say = Callable[[str], None]


@dataclass(slots=True)
class _Turn:
    """One calendar, when it is looked at again, and what was said of it last."""

    almanac: Almanac
    due_s: float = 0.0
    said: str = ""
    is_old: bool = False
    settings: CalendarSettings = field(init=False)

    def __post_init__(self) -> None:
        self.settings = self.almanac.settings


class Calendars:
    """Keeps what is planned as the calendars have it, from `start` to `close`.

    `wall_ms` is the wall clock; `say` gets a line for the terminal, `urge` a notice, both of them
    only when something has changed.
    """

    def __init__(
        self, site: SiteFile, world: World, put: Put, wall_ms: Callable[[], int], urge: Urge,
        say: Say, almanacs: Sequence[Almanac] | None = None,
    ) -> None:  # fmt: skip
        zone = str(site.site.local.zone)
        if almanacs is None:
            almanacs = [Almanac(one, zone, site.state) for one in site.calendars]
        self._turns = [_Turn(almanac) for almanac in almanacs]
        self._world, self._uses = world, world.uses
        self._put, self._wall_ms, self._urge, self._say = put, wall_ms, urge, say
        self._leaving, self._woken = Flag(), Flag()
        self._thread = Thread(target=self._run, name="calendars", daemon=True)

    def start(self) -> None:
        """Begin to look."""
        self._thread.start()

    def close(self) -> None:
        """Look no more. Whatever is being read is not waited for: nothing of it is half done."""
        self._leaving.set()
        self._woken.set()

    def look_now(self) -> None:
        """Look at each of them at once, whenever its turn would be; from any thread."""
        self._woken.set()

    def tell(self, event: Event, world: World) -> None:
        """What was heard; on the evaluator's thread."""
        self._world = world
        if isinstance(event, UsePlanned | UseDropped):
            self._uses = world.uses

    # ---- on its own thread ---------------------------------------------------------------------

    def _run(self) -> None:
        self._forget_strangers()
        while not self._leaving.is_set():
            for turn in self._turns:
                if monotonic() >= turn.due_s and not self._leaving.is_set():
                    self._take_turn(turn)
            soonest_s = min((turn.due_s for turn in self._turns), default=monotonic() + 3_600)
            if self._woken.wait(max(PAUSE_S, soonest_s - monotonic())):
                self._woken.clear()
                for turn in self._turns:
                    turn.due_s = 0.0

    def _forget_strangers(self) -> None:
        """Uses of a calendar that the site file no longer has are called off."""
        ours = {turn.settings.name for turn in self._turns}
        strange = {use.calendar for use in self._uses.values() if use.calendar} - ours
        for name in sorted(strange):
            self._plan(name, (), ())

    def _take_turn(self, turn: _Turn) -> None:
        name, every = turn.settings.name, turn.settings.every
        try:
            looked = turn.almanac.look(self._wall_ms())
        except Exception as error:
            # Whatever it is, the next look may do better; people are told of it.
            looked = Looked(None, f"it cannot be looked at: {quoted(error)}")
        turn.due_s = monotonic() + min(every, RETRY if looked.away else every) / SECOND
        self._told(turn, looked)
        if looked.occurrences is not None:
            self._plan(name, looked.occurrences, turn.settings.picks)

    def _told(self, turn: _Turn, looked: Looked) -> None:
        """What is wrong with it, once; and once that it is well again."""
        name, said = turn.settings.name, looked.said
        if said != turn.said:
            turn.said = said
            self._say(f"calendar {name}: {said or 'read again'}")
            if said:
                origin = f"calendar {name}"
                self._put(Lane.REFUSED, lambda heard: (Rejected(heard, origin, said),))
        age = None if looked.good_ms is None else self._wall_ms() - looked.good_ms
        is_old = bool(looked.why) and (age is None or age >= max(OLD, 3 * turn.settings.every))
        if is_old != turn.is_old:
            turn.is_old = is_old
            since = "and there is no copy" if age is None else f"copy is {show_duration(age)} old"
            words = f"{looked.why} ({since}): look at what is planned" if is_old else "read again"
            self._urge(Notice(f"calendar {name}", f"calendar {name}: {words}"))

    def _plan(
        self, name: str, occurrences: Sequence[Occurrence], picks: Sequence[Pick]
    ) -> None:  # fmt: skip
        """Bring what is planned to what is wanted, a batch after the other."""
        while not self._leaving.is_set():
            taken, left = Flag(), Flag()

            def read(heard: Moment, taken: Flag = taken, left: Flag = left) -> Sequence[Event]:
                try:
                    wanted = wanted_of(occurrences, picks, self._world.local)
                    events = changes(self._uses, wanted, name, heard)
                    if len(events) > AT_ONCE:
                        left.set()
                    # Should two batches be read before one is stepped, the second sees the first.
                    self._uses = after(self._uses, events[:AT_ONCE])
                    return events[:AT_ONCE]
                finally:
                    taken.set()

            self._put(Lane.KEPT, read)
            if not taken.wait(TAKEN_S_MAX) or not left.is_set():
                return
            self._leaving.wait(PAUSE_S)


def after(
    uses: Mapping[str, Use], events: Sequence[UsePlanned | UseDropped]
) -> Mapping[str, Use]:  # fmt: skip
    """The uses once these events are taken in."""
    found = dict(uses)
    for event in events:
        if isinstance(event, UsePlanned):
            found[event.use.name] = event.use
        else:
            found.pop(event.name, None)
    return found

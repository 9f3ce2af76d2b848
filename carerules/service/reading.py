"""The world as the journal has it, for those who only look: now, at a past moment, or as a diary.

Knows the journal, the rules and the clock. Never acts, and never writes: it works while a service
runs, on what that service has made durable, and also where none does.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from carerules.adapters import (
    HOST,
    DamagedRowError,
    JournalPlace,
    KeptJournal,
    LineClock,
    Sources,
    WaitingEntry,
    owner_of,
)
from carerules.config import SiteFile
from carerules.domain.decision import Fired, JobBegan, JobEnded, Outcome
from carerules.domain.event import Event, Tick
from carerules.domain.frozen import guarded
from carerules.domain.moment import MINUTE, SECOND, Moment
from carerules.domain.plan import Plan
from carerules.domain.signal import catalogue
from carerules.loop import Setup, World, answered, learn, make_setup, new_world, step, stranger
from carerules.report import Diary, Keeper, LineShape
from carerules.service.desk import events_of
from carerules.service.firstsaid import said_first
from carerules.service.kept import kept_calendars
from carerules.service.memory import load_world, restore
from carerules.service.rules import SiteRules, read_rules

WINDOW_ROWS = 512
"""Events read at first for the end of a log; twice as many each time that is too few."""


@guarded
class View:
    """The world now, with waiting entries counted in, and how its journal stands."""

    world: World
    keeper: Keeper


@guarded
class Past:
    """The world at a past moment, and what was decided for a pack in the minute from there.

    Not `exact`: going through the journal with today's rules did not give what was decided then,
    or some of what was heard until then is forgotten; so the world has only looked on.
    """

    world: World
    exact: bool
    decisions: Sequence[LineShape]


@dataclass(slots=True)
class Reader:
    """One site, its rules and its journal, open for reading; None: nothing was ever journalled."""

    site: SiteFile
    rules: SiteRules
    setup: Setup
    clock: LineClock
    path: JournalPlace
    journal: KeptJournal | None
    _damaged: set[str] = field(default_factory=set)

    # ---- now -----------------------------------------------------------------------------------

    def now(self) -> View:
        """The world at this moment. On a virtual site, whose time stands still while nobody plays
        it, that is the last moment that was journalled."""
        virtual = self.site.virtual
        # Before the rest: the service may write on while this is being read.
        last = self.journal.recent(1) if self.journal is not None else []
        world = restore(self, self.setup, self.clock.now() if virtual is None else virtual.start)
        starting = world.starting_since
        pid = owner_of(self.path)
        if virtual is None:
            world = replace(world, local=self.clock.local(self.setup.site.local.zone))
        now = max(world.now, self.clock.now() if virtual is None else 0)
        if not last:  # nothing has run here yet: what the first start will say
            for event in said_first(self.site, world, now):
                world = learn(world, event, ())
        waiting = 0
        for one in self._waiting():
            waiting += 1
            for event in events_of(one, now, world):
                world = learn(world, event, ())
        world = learn(world, Tick(now), ())
        if waiting:
            world = answered(world)
        # Where no service runs, what would be if one did is of more use than that it has left.
        world = replace(
            world,
            starting_since=starting if pid is not None else None,
            ended=world.ended and pid is not None,
        )
        return View(world, Keeper(
            running=pid is not None,
            pid=pid or None,
            last_wrote=last[-1][1].heard if last else None,
            rules_loaded=self.rules.setup is not None,
            entries_waiting=waiting,
            damaged_rows=len(self._damaged),
            calendars=kept_calendars(self.site),
        ))  # fmt: skip

    # ---- then ----------------------------------------------------------------------------------

    def begins(self) -> Moment | None:
        """The moment of the first event; None: there is none."""
        return next((event.heard for _, event in self.events()), None)

    def at(self, moment: Moment, pack: str) -> Past:
        """The world at a past moment; where something was decided for the pack within the minute
        that begins there, at the first such instant. Of a moment that has seconds, within the
        second. Asked only for one since `begins`."""
        try:
            return self._at(moment, pack, exact=True)
        except _DiffersError:
            return self._at(moment, pack, exact=False)

    def _at(self, moment: Moment, pack: str, *, exact: bool) -> Past:
        world, after = self._before(moment) if exact else (None, 0)
        diary = Diary(self.setup.site.local, self.setup.signals)
        if world is not None:
            diary.begin(world)
        wall = self.setup.site.local.read(moment)
        within = SECOND if wall.second or wall.microsecond else MINUTE
        decisions: list[LineShape] = []
        shown: World | None = None
        for seq, event, decided, later in self._gone_through(world, after, exact=exact):
            if event.heard >= moment + within:
                break
            rows = list(diary.rows(seq, event, decided, pack))
            if event.heard >= moment:
                decisions += [row for row in rows if row.tone != "seen"]
            if event.heard <= moment:
                world = later
            if shown is None and decisions:
                shown = later
        if shown is None:
            assert world is not None, "the moment lies before the journal's first event"
            shown = learn(world, Tick(max(moment, world.now)), ())
            shown = replace(shown, starting_since=world.starting_since)
        return Past(shown, exact, decisions)

    def _before(self, moment: Moment) -> tuple[World | None, int]:
        """The newest state kept from before the moment, with the same rules; or none."""
        for seq, text in self.snapshots():
            world = load_world(text, self.setup)
            if world is not None and world.now < moment and not world.muted:
                return world, seq
        return None, 0

    def _gone_through(
        self, world: World | None, after: int, *, exact: bool
    ) -> Iterator[tuple[int, Event, Sequence[Outcome], World]]:
        """Each event from there on, what was decided on it then, and the world after it."""
        for seq, event, decided in self.told(after):
            if exact and seq != after + 1:
                raise _DiffersError  # old samples are forgotten, or a row does not read back
            after = seq
            if world is None:
                world = new_world(self.setup, event.heard)
            if event.heard < world.now or stranger(self.setup, event):
                continue
            if exact:
                world, again = step(world, event)
                if _gist(again) != _gist(decided):
                    raise _DiffersError
            else:
                world = learn(world, event, decided)
            yield seq, event, decided, world

    def through(self, begins: Moment) -> Iterator[tuple[Event, Sequence[Outcome], World]]:
        """Each event from `begins` on, and some from before it, with what was decided on it and the
        world as it then was, as far as looking on tells."""
        world, after = self._before(begins)
        for _, event, decided, later in self._gone_through(world, after, exact=False):
            yield event, decided, later

    # ---- the diary -----------------------------------------------------------------------------

    def lines(
        self,
        *,
        pack: str | None = None,
        since: Moment | None = None,
        last: int | None = None,
        samples: bool = False,
    ) -> list[LineShape]:
        """What was seen, decided, done and told, oldest first; only the `last` so many of it."""
        newest = 0 if self.journal is None else self.journal.last_seq
        local = self.setup.site.local
        window = newest if since is None and last is None else WINDOW_ROWS
        while True:
            after = max(0, newest - window)
            diary = Diary(local, self.setup.signals, samples=samples)
            rows: list[LineShape] = []
            complete = after == 0
            for seq, event, decided in self.told(after):
                told = list(diary.rows(seq, event, decided, pack))
                if since is not None and event.heard < since:
                    complete = True
                else:
                    rows += told
            if complete or (last is not None and len(rows) >= last):
                return rows if last is None else rows[-last:]
            window *= 2

    # ---- the journal; what does not read back is left out, and counted -------------------------

    @property
    def newest(self) -> int:
        """The number of the newest event; 0: there is none."""
        return 0 if self.journal is None else self.journal.last_seq

    @property
    def damaged(self) -> int:
        """How many rows did not read back so far."""
        return len(self._damaged)

    def events(self, after_seq: int = 0) -> Iterator[tuple[int, Event]]:
        """The events after a number, up to the newest when the journal was opened: those after
        it might come without what was decided on them."""
        if self.journal is None:
            return
        for seq, event in self.journal.events(after_seq, on_damage=self._note):
            if seq > self.journal.last_seq:
                return
            yield seq, event

    def outcomes(self, after_seq: int = 0) -> Iterator[tuple[int, Outcome]]:
        """What was decided on the events after a number."""
        if self.journal is not None:
            yield from self.journal.outcomes(after_seq, on_damage=self._note)

    def snapshots(self) -> Sequence[tuple[int, str]]:
        """The states kept, newest first."""
        return [] if self.journal is None else self.journal.snapshots()

    def told(self, after: int = 0) -> Iterator[tuple[int, Event, Sequence[Outcome]]]:
        """Each event with what was decided on it."""
        outcomes = self.outcomes(after)
        ahead = next(outcomes, None)
        for seq, event in self.events(after):
            decided: list[Outcome] = []
            while ahead is not None and ahead[0] <= seq:
                if ahead[0] == seq:
                    decided.append(ahead[1])
                ahead = next(outcomes, None)
            yield seq, event, decided

    def _waiting(self) -> Sequence[WaitingEntry]:
        if self.journal is None:
            return ()
        return self.journal.waiting_entries(on_damage=self._note)

    def _note(self, row: DamagedRowError) -> None:
        self._damaged.add(str(row))


def reader_of(
    site: SiteFile, path: JournalPlace, journal: KeptJournal | None, sources: Sources = HOST
) -> Reader:
    """A reader of the site's journal at `path`. Rules with errors are as none at all."""
    clock = LineClock(None if journal is None else journal.clock(), sources)
    if site.virtual is None:
        site = site.with_lead(clock.offset())
    rules = read_rules(site)
    setup = rules.setup
    if setup is None:
        setup = make_setup(site.site, site.chemistries, catalogue(site.signals), Plan())
    return Reader(site, rules, setup, clock, path, journal)


class _DiffersError(Exception):
    """Today's rules decide otherwise than was decided then."""


def _gist(outcomes: Iterable[Outcome]) -> list[tuple[object, ...]]:
    """What rules and jobs came to; names and wordings may have been mended since."""
    gist: list[tuple[object, ...]] = []
    for outcome in outcomes:
        match outcome:
            case Fired(_, key, pack, since):
                gist.append(("fired", key, pack, since))
            case JobBegan(job):
                gist.append(("began", job))
            case JobEnded(job, _, _, ending):
                gist.append(("ended", job, ending))
            case _:
                pass
    return gist

"""Where the page's status comes from: a service in this process, or a journal on the disk.

Knows both. Does not know what is shown of it. Neither changes anything.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Protocol

from carerules.adapters import (
    KeptJournal,
    LineClock,
    OutboxFile,
    is_there,
    open_journal,
)
from carerules.config import SiteFile
from carerules.loop import World
from carerules.report import Keeper, KeptCalendar, StatusShape, status_of
from carerules.service.counts import Vitals
from carerules.service.reading import Reader, View, reader_of

SILENT_S = 15.0
"""A service looks at its clock each second; so long without is a hang, not a busy disk."""
LOOK_AGAIN_S = 5.0
"""A journal that nobody writes is looked at again so often: time passes without being written."""


class Source(Protocol):
    """Gives the status of the site, from any thread."""

    def version(self) -> object:
        """Differs from the one before when there may be something new; cheap."""

    def look(self) -> StatusShape:
        """The site as it is now."""

    def view(self) -> View:
        """What `look` makes its shape of."""

    def silent_s(self) -> float:
        """For how long the service has said nothing where it should have; 0: all is well."""

    def vitals(self) -> Vitals:
        """How the service is, as far as this process knows."""


class RunningSource:
    """A service in this process: its world is one value that never changes; any thread may look."""

    def __init__(
        self, world: Callable[[], World], vitals: Callable[[], Vitals] = Vitals,
        calendars: Callable[[], tuple[KeptCalendar, ...]] = tuple,
    ) -> None:  # fmt: skip
        self._world, self.vitals, self._calendars = world, vitals, calendars
        self._seen: World | None = None
        self._seen_at = time.monotonic()
        self._number, self._counting = 0, threading.Lock()

    def version(self) -> object:
        """The number of the world: several may follow each other at one moment."""
        with self._counting:
            world = self._world()
            if world is not self._seen:
                self._seen, self._seen_at = world, time.monotonic()
                self._number += 1
            return self._number

    def look(self) -> StatusShape:
        """Of the world as it stands."""
        view = self.view()
        return status_of(view.world, view.keeper)

    def view(self) -> View:
        """The world as it stands."""
        world = self._world()
        return View(world, Keeper(
            running=not world.ended, pid=os.getpid(), last_wrote=world.now,
            calendars=self._calendars(),
        ))  # fmt: skip

    def silent_s(self) -> float:
        """How long the world has stood still, if that is too long."""
        self.version()
        silent = time.monotonic() - self._seen_at
        return silent if silent > SILENT_S else 0.0


class JournalSource:
    """The journal of the site, whether a service of another process writes it or none does."""

    def __init__(self, site: SiteFile) -> None:
        self._site = site
        self._reader: Reader | None = None
        self._rules_at: object = None
        self._looking = threading.Lock()

    def version(self) -> object:
        """What the disk says of the journal's files, and a slow clock; of a database only that."""
        journal, tick = self._site.journal, int(time.monotonic() / LOOK_AGAIN_S)
        if not isinstance(journal, Path):
            return tick
        return [_mark(journal), _mark(journal.with_name("journal.db-wal")), tick]

    def look(self) -> StatusShape:
        """Of what is journalled."""
        view = self.view()
        return status_of(view.world, view.keeper)

    def view(self) -> View:
        """What is journalled; a site that never ran has no journal, and none is made."""
        path = self._site.journal
        if not is_there(path):
            return reader_of(self._site, path, None).now()
        with self._looking, closing(open_journal(path, owner=False)) as journal:
            return self._reader_on(journal).now()

    def silent_s(self) -> float:
        """Of a service in another process nobody knows."""
        return 0.0

    def vitals(self) -> Vitals:
        """Only what lies in the journal: a service of another process counts for itself."""
        if not is_there(self._site.journal):
            return Vitals()
        with closing(OutboxFile(self._site.journal)) as file:
            letters = file.load().letters.values()
        return Vitals(letters=sum(one.waits for one in letters))

    def _reader_on(self, journal: KeptJournal) -> Reader:
        """A reader; the rules are read again only where their files have changed."""
        marks = [_mark(file) for file in self._site.rules]
        if self._reader is None or marks != self._rules_at:
            self._rules_at = marks
            self._reader = reader_of(self._site, self._site.journal, journal)
            return self._reader
        known = self._reader
        clock = LineClock(journal.clock())
        return Reader(known.site, known.rules, known.setup, clock, known.path, journal)


def _mark(file: object) -> object:
    try:
        there = os.stat(str(file))
    except OSError:
        return None
    return there.st_mtime_ns, there.st_size

"""A played site's calendars: files, looked at in its own time, on its own thread.

Knows the outside that it stands before. Does not know what is decided. Nothing real is switched
there, so that a look may hold the world up: the same file leads to the same night.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from carerules.calendar import changes, wanted_of
from carerules.config import SiteFile
from carerules.domain.decision import Command
from carerules.domain.event import Event
from carerules.domain.moment import Moment
from carerules.domain.pack import Use
from carerules.domain.ports import Outside
from carerules.service.almanac import Almanac

AT_ONCE = 64
"""Changes entered together: a virtual crew has room for more (sim/outside)."""


class PlayedCalendars:
    """`domain.ports.Outside`, before one that is played: `enter` has it hear something now.

    `uses` says what is planned; `say` gets a line whenever what is wrong with a calendar changes.
    Keeps no copies: nothing on disk is its own.
    """

    def __init__(
        self, site: SiteFile, outside: Outside, enter: Callable[[Event], None],
        say: Callable[[str], None], almanacs: Sequence[Almanac] | None = None,
    ) -> None:  # fmt: skip
        self.uses: Callable[[], Mapping[str, Use]] = dict
        zone = str(site.site.local.zone)
        if almanacs is None:
            almanacs = [Almanac(one, zone, None) for one in site.calendars]
        self._local, self._outside, self._enter, self._say = site.site.local, outside, enter, say
        self._almanacs = {almanac: outside.now() for almanac in almanacs}
        self._said: dict[str, str] = {}

    def now(self) -> Moment:
        """As the outside's."""
        return self._outside.now()

    def wait(self, due: Moment) -> Sequence[Event]:
        """As the outside's, woken when a calendar is due."""
        now = self._outside.now()
        for almanac, at in self._almanacs.items():
            if at <= now:
                self._look(almanac, now)
        return self._outside.wait(min([due, *self._almanacs.values()]))

    def perform(self, command: Command) -> None:
        """As the outside's."""
        self._outside.perform(command)

    def close(self) -> None:
        """As the outside's."""
        self._outside.close()

    def _look(self, almanac: Almanac, now: Moment) -> None:
        name, every = almanac.settings.name, almanac.settings.every
        looked = almanac.look(now + self._local.offset)
        self._almanacs[almanac] = now + every
        if looked.said != self._said.get(name, ""):
            self._said[name] = looked.said
            self._say(f"calendar {name}: {looked.said or 'read again'}")
        if looked.occurrences is None:
            return
        wanted = wanted_of(looked.occurrences, almanac.settings.picks, self._local)
        events = changes(self.uses(), wanted, name, now)
        for event in events[:AT_ONCE]:
            self._enter(event)
        if len(events) > AT_ONCE:
            self._almanacs[almanac] = now + 1

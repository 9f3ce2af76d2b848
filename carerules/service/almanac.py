"""One calendar, looked at: what it holds now, or else what its last good copy holds.

Knows how a fetch, the copy and the expansion go together. Does not know packs, nor when one looks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from carerules.adapters import CalendarAddress
from carerules.adapters.apart import expand_apart
from carerules.adapters.calendaraddress import NO_TAGS, Tags
from carerules.adapters.calendarcopy import Copy, CopyShelf, origin_of
from carerules.adapters.calendarline import Fetched, Unchanged, Unreached, fetch
from carerules.calendar import Asked, Expanded, Occurrence, Unread
from carerules.config import CalendarSettings
from carerules.domain.frozen import guarded
from carerules.domain.moment import DAY, Duration

Fetch = Callable[[CalendarAddress, Tags], Fetched | Unchanged | Unreached]
Expand = Callable[[bytes, Asked], Expanded | Unread]

SPARE: Duration = 7 * DAY
"""A calendar that does not change is expanded so much further than is asked, once a week."""


@guarded
class Looked:
    """What a look at a calendar brought.

    `occurrences` of the days ahead; None: there is not even a copy, and nothing is known. `why`
    the copy had to do, and `good_ms`, when it was last known to be current (wall time, ms since
    the Unix epoch). `left_out`: events that cannot be read. `away`: it was not reached at all,
    which a moment later it may be.
    """

    occurrences: tuple[Occurrence, ...] | None
    why: str = ""
    good_ms: int | None = None
    left_out: tuple[str, ...] = ()
    away: bool = False

    @property
    def said(self) -> str:
        """What is wrong, in one line; nothing: all is well."""
        wrong = [self.why] if self.why else []
        if self.left_out:
            wrong.append(f"left out {'; '.join(self.left_out)}")
        return "; ".join(wrong)


class Almanac:
    """Looks at one calendar, again and again; on one thread. `folder` None: keeps no copy on disk.

    `is_online` false: asks no server, only the copy.
    """

    def __init__(
        self, settings: CalendarSettings, zone: str, folder: Path | None, *,
        keeps: bool = True, fetch: Fetch = fetch, expand: Expand = expand_apart,
    ) -> None:  # fmt: skip
        self.settings = settings
        self._zone, self._fetch, self._expand, self._keeps = zone, fetch, expand, keeps
        self._shelf = None
        if folder is not None:
            self._shelf = CopyShelf(folder, settings.name, origin_of(settings.address))
        self._copy = None if self._shelf is None else self._shelf.load()
        self._known: tuple[bytes, Asked, Expanded] | None = None

    def look(self, wall_ms: int) -> Looked:
        """What the calendar holds from now on. Blocks for some minutes at most."""
        answer = self._fetch(self.settings.address, self._copy.tags if self._copy else NO_TAGS)
        match answer:
            case Fetched(data, tags):
                read = self._read(data, wall_ms)
                if isinstance(read, Expanded):
                    news = self._copy is None or self._copy.data != data
                    return self._looked(read, self._kept(Copy(data, wall_ms, tags), news=news))
                why = read.why
            case Unchanged():
                if self._copy is not None:
                    self._kept(replace(self._copy, good_ms=wall_ms, why=""), news=False)
                why = ""
            case Unreached(why):
                pass
        # So that others can say what the copy is worth; written when that changes, not each time.
        if self._copy is not None and why and why != self._copy.why:
            self._kept(replace(self._copy, why=why), news=False)
        away = isinstance(answer, Unreached)
        return replace(self.look_at_copy(wall_ms, why), away=away)

    def look_at_copy(self, wall_ms: int, why: str) -> Looked:
        """What the last good copy holds; `why` it has to do."""
        if self._copy is None:
            return Looked(None, f"{why}; there is no copy of it" if why else "there is no copy yet")
        read = self._read(self._copy.data, wall_ms)
        if isinstance(read, Unread):  # it was read before: the process failed, or a library is gone
            return Looked(None, read.why, self._copy.good_ms)
        return self._looked(read, why)

    def _looked(self, read: Expanded, why: str) -> Looked:
        good_ms = None if self._copy is None else self._copy.good_ms
        return Looked(read.occurrences, why, good_ms, read.troubles)

    def _kept(self, copy: Copy, *, news: bool) -> str:
        self._copy = copy
        if self._shelf is None or not self._keeps:
            return ""
        return self._shelf.keep(copy, data_too=news)

    def _read(self, data: bytes, wall_ms: int) -> Expanded | Unread:
        until_ms = wall_ms + self.settings.ahead
        if self._known is not None:
            known, asked, expanded = self._known
            if known == data and asked.from_ms <= wall_ms and until_ms <= asked.until_ms:
                return _within(expanded, wall_ms, until_ms)
        asked = Asked(wall_ms, until_ms + SPARE, self._zone, self.settings.all_day_min)
        read = self._expand(data, asked)
        if isinstance(read, Unread):
            return read
        self._known = (data, asked, read)
        return _within(read, wall_ms, until_ms)


def _within(read: Expanded, from_ms: int, until_ms: int) -> Expanded:
    inside = tuple(one for one in read.occurrences if from_ms <= one.start_ms < until_ms)
    return Expanded(inside, read.troubles)

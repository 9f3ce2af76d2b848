"""Everything off, now: by the plugs' own wires and by the running service, both ways at once.

Knows both ways. Does not need the journal, nor a service that answers, for the first; does not know
who asked.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from typing import TYPE_CHECKING, TypeAlias

from carerules.adapters import (
    HOST,
    KeptJournal,
    Stop,
    open_journal,
    owner_of,
)
from carerules.config import SiteFile
from carerules.domain.frozen import guarded
from carerules.domain.moment import SECOND
from carerules.domain.ports import JournalError

if TYPE_CHECKING:
    from carerules.service.off import OffReport

WITHIN_S = 12
ANSWER_WITHIN_S = 1.5
"""A service that runs looks for entries each second. One that hangs is not waited for."""
ANSWER_LATE_S = 3.5
"""So much longer when the plugs have been told: only for the sake of what is said."""

LOOK_EVERY_S = 0.05


@guarded
class StopReport:
    """What came of a stop: the service's answer, what the journal lacks, and the plugs by our own
    wires (None: the site has none)."""

    told: str | None
    problem: str | None
    off: OffReport | None

    @property
    def wires_problem(self) -> str | None:
        """Why nothing could be said over the broker; None: that is unknown, or there is none."""
        return None if self.off is None else self.off.lost

    @property
    def failed(self) -> bool:
        """Whether a person must go there: a plug was not read back off, or nobody was reached."""
        unproven = self.off is not None and bool(self.off.unproven)
        nobody = self.off is None and self.told is None and self.problem is not None
        return unproven or nobody


def stop_all(site: SiteFile, by: str) -> StopReport:
    """Bring everything off, and have the service keep it so until a person releases the site."""
    return stopper(site, by)()


def stopper(site: SiteFile, by: str) -> Callable[[], StopReport]:
    """`stop_all`, made ready beforehand by who may be asked for it later.

    What the wires need is imported here: a stop must not have to look for it on a disk that fails.
    """
    wires = _own_wires(site, by)
    return lambda: _stop(site, by, wires)


Wires: TypeAlias = "Callable[[], OffReport | None]"


def _own_wires(site: SiteFile, by: str) -> Wires:
    if not site.has_wires or not site.site.plugs:  # then none was left out either
        return lambda: None
    from carerules.service.off import bring_all_off  # noqa: PLC0415

    return lambda: bring_all_off(site, WITHIN_S * SECOND, by, beside=True)


def _stop(site: SiteFile, by: str, over_own_wires: Wires) -> StopReport:
    # The wires first and by themselves: neither a disk nor a service that hangs holds them up.
    with ThreadPoolExecutor(1, "stop") as wires:
        first = wires.submit(over_own_wires)
        service = _ServiceDesk(site, by)
        told = service.answer(ANSWER_WITHIN_S)
        off = first.result()
        if told is None:
            told = service.answer(ANSWER_LATE_S)
        if told is not None:  # it may have said ON until then
            off = over_own_wires()
    return StopReport(told, service.problem, off)


class _ServiceDesk:
    """A stop left for the service that runs, if one does; `problem` is what the journal lacks."""

    def __init__(self, site: SiteFile, by: str) -> None:
        self.problem: str | None = None
        self._path = site.journal
        self._number: int | None = None
        try:
            with self._journal() as journal:
                self._number = journal.add_entry(Stop(by), HOST.wall_ms())
        except JournalError as error:
            self.problem = str(error)

    def answer(self, within_s: float) -> str | None:
        """The service's answer; not waited for when nobody is there to give one."""
        give_up = time.monotonic() + within_s
        told: str | None = None
        while self._number is not None and told is None and owner_of(self._path) is not None:
            try:
                with self._journal() as journal:
                    told = journal.entry_answer(self._number)
            except JournalError as error:
                self.problem, self._number = str(error), None
            if time.monotonic() >= give_up:
                break
            if told is None:
                time.sleep(LOOK_EVERY_S)
        return told

    def _journal(self) -> closing[KeptJournal]:
        return closing(open_journal(self._path, owner=False))

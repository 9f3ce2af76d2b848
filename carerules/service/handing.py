"""An entry handed in for the service that runs, and its answer: the one door for people's words.

Knows the journal that entries wait in. Does not know how they were made, nor how they are shown.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import closing

from carerules.adapters import (
    HOST,
    Entry,
    open_journal,
    owner_of,
)
from carerules.config import SiteFile
from carerules.domain.frozen import guarded

ANSWER_WITHIN_S = 3.0
LOOK_EVERY_S = 0.05
"""The service looks for entries twice a second; a commit may take a few tenths on a slow card."""

WAKE_EACH = 4
"""Looks for an answer: five times a second a service in this process is woken."""


@guarded
class HandedIn:
    """What became of an entry; `answer` None: a service runs and has not answered yet, or (not
    `running`) none does."""

    answer: str | None
    running: bool

    @property
    def refused(self) -> bool:
        """Whether the service did not take it in."""
        return self.answer is not None and self.answer.startswith("refused")

    def words(self) -> str:
        """What to say to the person who made it."""
        if not self.running:
            return ("no service is running: it is taken in at the next start; "
                    "`carerules status` already counts it")  # fmt: skip
        if self.answer is None:
            return "it is kept, and the service has not answered yet: look at `carerules log`"
        return self.answer


def hand_in(site: SiteFile, entry: Entry, wake: Callable[[], None] = lambda: None) -> HandedIn:
    """Leave the entry in the site's journal, and wait a little for the service's answer.

    `wake` has a service in this process look: called until it has answered. Raises `JournalError`.
    """
    with closing(open_journal(site.journal, owner=False)) as journal:
        number = journal.add_entry(entry, HOST.wall_ms())
        wake()
        if owner_of(site.journal) is None:
            return HandedIn(None, running=False)
        for look in range(round(ANSWER_WITHIN_S / LOOK_EVERY_S)):
            if look and look % WAKE_EACH == 0:
                wake()  # the desk had just looked when it lay there
            answer = journal.entry_answer(number)
            if answer is not None:
                return HandedIn(answer, running=True)
            time.sleep(LOOK_EVERY_S)
    return HandedIn(None, running=True)

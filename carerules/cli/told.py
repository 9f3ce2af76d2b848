"""A journal gone through from its beginning, for those that make a tape of it.

Knows the reader. Does not know what becomes of the facts.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from carerules.cli.progress import Progress
from carerules.domain.decision import Outcome
from carerules.domain.event import Event
from carerules.domain.moment import Moment
from carerules.service.reading import Reader


class Journalled:
    """The journal's events with what was decided on them; notes where something is forgotten."""

    def __init__(self, reader: Reader, what: str) -> None:
        self._reader, self._what = reader, what
        self.forgotten_before: Moment | None = None

    def __iter__(self) -> Iterator[tuple[Event, Sequence[Outcome]]]:
        before = 0
        with Progress(self._what, self._reader.newest) as progress:
            for seq, event, decided in self._reader.told():
                if seq != before + 1:
                    self.forgotten_before = event.heard
                before = seq
                progress.at(seq)
                yield event, decided

"""A journal in memory: keeps what was committed, loses what was not, fails or is killed on demand.

Knows nothing but order. It stands in for the disk, whose own behaviour other tests look at.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from enum import Enum

from carerules.domain.decision import Outcome
from carerules.domain.event import Event
from carerules.domain.ports import JournalError
from carerules.loop import World
from carerules.service import dump_world

SNAPSHOTS_KEPT = 3


class Killed(BaseException):
    """The service is gone between one instruction and the next. No handler may take it."""


class Spoil(Enum):
    """What becomes of the journal's next write or commit."""

    WRITE_FAILS = "write fails"
    COMMIT_FAILS = "commit fails"
    FULL = "full from now on"
    KILLED_BEFORE = "killed before the commit"
    KILLED_AFTER = "killed after the commit"


class MemoryJournal:
    """`domain.ports.Journal` and `service.WorldStore` in one."""

    def __init__(self) -> None:
        self.next_fault: Spoil | None = None
        self._kept: list[tuple[int, Event, list[Outcome]]] = []
        self._pending: list[tuple[Event, list[Outcome]]] = []
        self._shots: list[tuple[int, World]] = []

    def write(self, event: Event, outcomes: Iterable[Outcome]) -> None:
        """Take down an event; it is not durable yet. Raises JournalError when spoilt."""
        if self.next_fault is Spoil.FULL or self._fails(Spoil.WRITE_FAILS):
            raise JournalError("no space left")
        self._pending.append((event, list(outcomes)))

    def commit(self) -> None:
        """Make it durable. Raises JournalError when spoilt, and `Killed` where the kill is here."""
        if self.next_fault is Spoil.FULL or self._fails(Spoil.COMMIT_FAILS):
            raise JournalError("the disk does not answer")
        if self._fails(Spoil.KILLED_BEFORE):
            self.lose_pending()
            raise Killed
        for event, outcomes in self._pending:
            self._kept.append((len(self._kept) + 1, event, outcomes))
        self._pending.clear()
        if self._fails(Spoil.KILLED_AFTER):
            raise Killed

    def lose_pending(self) -> None:
        """A kill: what was not committed is gone."""
        self._pending.clear()

    def snapshot(self, world: World) -> None:
        """Keep the world as it is after what was committed; it is written out when it is read, as
        in most nights nobody is killed."""
        self._shots = [(len(self._kept), world), *self._shots][:SNAPSHOTS_KEPT]

    def lose_snapshots(self) -> None:
        """Those that there are do not read: only the events are left."""
        self._shots.clear()

    def _fails(self, spoil: Spoil) -> bool:
        if self.next_fault is not spoil:
            return False
        self.next_fault = None
        return True

    # ---- read back ---------------------------------------------------------------------------

    def events(self, after_seq: int = 0) -> Iterator[tuple[int, Event]]:
        """The events after a number, in order."""
        return iter([(seq, event) for seq, event, _ in self._kept[after_seq:]])

    def outcomes(self, after_seq: int = 0) -> Iterator[tuple[int, Outcome]]:
        """What was decided on them."""
        return iter([(seq, one) for seq, _, outs in self._kept[after_seq:] for one in outs])

    def snapshots(self) -> list[tuple[int, str]]:
        """Newest first."""
        return [(seq, dump_world(world)) for seq, world in self._shots]

"""The seams: what the service asks of the outside, without knowing which outside it is.

Knows what a clock, a journal and wires must do, and not how. The same service runs on real wires,
on a virtual site, and as fast as it goes in a rehearsal, because it sees only these.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol

from carerules.domain.decision import Command, Outcome
from carerules.domain.event import Event
from carerules.domain.moment import Moment


class Outside(Protocol):
    """Everything around the core: time, samples in, commands out."""

    def now(self) -> Moment:
        """This moment on the site's line."""

    def wait(self, due: Moment) -> Sequence[Event]:
        """What is heard next, in order; nothing but a `Tick` when `due` comes first."""

    def perform(self, command: Command) -> None:
        """Send a command on its way. Never blocks for long, never raises: a way that is down
        shows as a `PlugLink` or as silence."""

    def close(self) -> None:
        """Let go of sockets and threads."""


class Journal(Protocol):
    """The facts, in order, durable once `commit` returns."""

    def write(self, event: Event, outcomes: Iterable[Outcome]) -> None:
        """Take down an event and what was decided on it."""

    def commit(self) -> None:
        """Make everything written so far durable; raises `JournalError` where it cannot."""


class JournalError(Exception):
    """The journal cannot be trusted to hold: nothing may be switched on.

    `what` was found, and the `mend`, where there is one.
    """

    def __init__(self, what: str, mend: str = "") -> None:
        super().__init__(f"{what}; mend: {mend}" if mend else what)
        self.what, self.mend = what, mend


class NotOwnerError(JournalError):
    """The journal has another owner by now, and with it the site: whoever lost it says nothing more
    to any plug, not even OFF, which would meet the other's ON."""


class Teller(Protocol):
    """Tells people. What is told is worked out from outcomes, in plain words."""

    def tell(self, moment: Moment, outcome: Outcome) -> None:
        """Say one outcome."""

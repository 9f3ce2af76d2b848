"""Faults planted in what keeps two machines from commanding one load; the nights must find each.

Where two stand together, either alone is held by the other, as it is meant to be.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest
from fleet_night import POINTS, Night, machine_frozen
from fleet_server import Session

from carerules.adapters.ownership import Ownership
from carerules.domain.event import Tick
from carerules.domain.moment import HOUR
from carerules.service import outside, shares

Patch = pytest.MonkeyPatch


@dataclass(frozen=True)
class Plant:
    """`said`: what the observer says of it; `first`: the first night that finds it."""

    name: str
    plant: Callable[[Patch], None]
    said: str
    first: int


def _no_number(patch: Patch) -> None:
    def prove(self: Ownership, session: Any) -> None:
        self._proving = 0
        session.execute("UPDATE ownership SET beats = beats + 1 WHERE id = 1")

    patch.setattr(Ownership, "prove", prove)
    patch.setattr(Ownership, "holds", lambda _: True)


def _ends_are_hidden(patch: Patch) -> None:
    begins = Night.__init__

    def begin(self: Night, seed: int) -> None:
        begins(self, seed)
        self.server.hides_ends = True

    patch.setattr(Night, "__init__", begin)


def _no_lock(patch: Patch) -> None:
    executes = Session.execute

    def execute(self: Session, statement: Any, row: tuple[object, ...] = ()) -> Any:
        if "pg_try_advisory_lock" in str(statement):
            self.server.holder = None
        return executes(self, statement, row)

    patch.setattr(Session, "execute", execute)
    patch.setattr(Night, "sees_lock", False)


def number_and_end_ignored(patch: Patch) -> None:
    _no_number(patch)
    _ends_are_hidden(patch)


def lock_and_number_ignored(patch: Patch) -> None:
    _no_number(patch)
    _no_lock(patch)


def _frozen_in_the_act(patch: Patch, point: int) -> None:
    """Nights of the one trouble that this is held against: it would come seldom by itself."""
    patch.setattr(Night, "kinds", (machine_frozen,))
    patch.setattr(Night, "points", (POINTS[point],))
    patch.setattr(Night, "frozen", (20, 60))
    patch.setattr(Night, "name_share", 0.0)


def hold_not_asked(patch: Patch) -> None:
    _frozen_in_the_act(patch, 3)
    patch.setattr(outside, "may_send", lambda *_: True)


def proof_never_old(patch: Patch) -> None:
    _frozen_in_the_act(patch, 3)
    patch.setattr(Ownership, "holds", lambda _: True)


def unknown_may_switch_on(patch: Patch) -> None:
    _frozen_in_the_act(patch, 3)
    may_send = outside.may_send
    patch.setattr(outside, "may_send", lambda command, hold: (
        hold is outside.Hold.UNKNOWN or may_send(command, hold)))  # fmt: skip
    patch.setattr(Ownership, "compare", lambda *_: None)


def another_name_at_the_broker(patch: Patch) -> None:
    _frozen_in_the_act(patch, 4)
    begins = Night.__init__

    def begin(self: Night, seed: int) -> None:
        begins(self, seed)
        self.broker_ends, self.freezes_on_the_wire = False, True

    patch.setattr(Night, "__init__", begin)


def start_without_off(patch: Patch) -> None:
    patch.setattr(Night, "begins", staticmethod(Tick))


def nobody_is_ever_gone(patch: Patch) -> None:
    _frozen_in_the_act(patch, 0)
    patch.setattr(shares, "GONE_AFTER", HOUR)


PLANTS = (
    Plant("number and end ignored", number_and_end_ignored, "under", 0),
    Plant("lock and number ignored", lock_and_number_ignored, "under", 0),
    Plant("hold not asked", hold_not_asked, "after a word under", 0),
    Plant("proof never old", proof_never_old, "after a word under", 0),
    Plant("unknown may switch on", unknown_may_switch_on,
          "after a word under", 0),
    Plant("another name at the broker", another_name_at_the_broker, "after a word under", 0),
    Plant("start without off", start_without_off, "without an OFF before it", 0),
    Plant("nobody is ever gone", nobody_is_ever_gone, "nobody served the site", 0),
)  # fmt: skip
HELD = (
    ("the end of a session is hidden", _ends_are_hidden),
    ("the lock is ignored", _no_lock),
)
"""Each alone is held by what stands beside it."""

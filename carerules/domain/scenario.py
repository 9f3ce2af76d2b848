"""Scenarios: tests of rules, written beside them.

Knows what is given, what happens and what is expected. Does not know how it is played out.
A scenario has its own small world: packs that exist in it only, each on a station of its own with a
load and a charger unless it says otherwise, and a time line that begins with what is given.
"""

from __future__ import annotations

from datetime import datetime
from typing import Literal, TypeAlias

from carerules.domain.action import Action
from carerules.domain.diagnostic import Span
from carerules.domain.frozen import guarded
from carerules.domain.quantity import Quantity


@guarded
class GivenPack:
    """`given pack heron is lipo tagged "smart" role boat cells 6 capacity 16 Ah`.

    What is left out is a 6-cell lipo of 16 Ah without tag or role.
    """

    pack: str
    chemistry: str = "lipo"
    cells: int = 6
    capacity_ah: float = 16.0
    tags: frozenset[str] = frozenset()
    role: str = ""
    placed: bool = True


@guarded
class Set:
    """`heron pack.soc = 100 %`: a signal has this value from here on, fresh until changed.

    `pack` None: a signal of the site. A quantity of None: from here on it is unknown.
    """

    pack: str | None
    signal: str
    value: Quantity | None


@guarded
class Occurs:
    """`heron used`, `heron swelling`: an event of the pack."""

    pack: str
    event: str


@guarded
class UseAt:
    """`use on Mon 09:00 of heron`, `use in 12 d`: a planned use; without packs, of all."""

    start: datetime
    packs: frozenset[str] = frozenset()


@guarded
class Moved:
    """`heron on no station`, `heron on a station`."""

    pack: str
    placed: bool


@guarded
class Presence:
    """`somebody present`, `nobody present`."""

    present: bool


Change: TypeAlias = Set | Occurs | UseAt | Moved | Presence


@guarded
class ExpectJob:
    """`expect heron drain to 80 % by full-too-long`: since the last line a job began such a line.

    Of a notice, chore or mark: it was done. What is left out is not compared. `absent`: `expect
    heron no drain`, that none of this was.
    """

    pack: str
    action: Action | str
    rule: str | None = None
    absent: bool = False


@guarded
class ExpectNothing:
    """`expect nothing`, `expect nothing of heron`: since the last line no rule fired."""

    pack: str | None = None


@guarded
class ExpectRefusal:
    """`expect heron charge refused`: a wish to do this was vetoed since the last line."""

    pack: str
    action: Literal["drain", "charge"]


Expectation: TypeAlias = ExpectJob | ExpectNothing | ExpectRefusal


@guarded
class At:
    """`at Sat 18:00: ...`: at this wall time, changes first, then what is expected by then."""

    time: datetime
    changes: tuple[Change, ...]
    expects: tuple[Expectation, ...]
    span: Span


@guarded
class Scenario:
    """A named scenario: packs, what holds at first and since when, and what comes, in order.

    Times are naive wall times of an invented week that begins on Monday 2 March 2026, in UTC, so
    that no clock change gets in the way; a weekday means the next one at or after the line before.
    """

    name: str
    packs: tuple[GivenPack, ...]
    start: datetime
    given: tuple[tuple[datetime, Change], ...]
    lines: tuple[At, ...]
    span: Span

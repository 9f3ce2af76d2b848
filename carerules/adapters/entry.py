"""Manual entries: what a person tells the service, and the events that it becomes.

Knows the kinds of entry. Does not know how they are typed, or what they lead to.
An entry keeps the wall time at which it was true, because it may lie for hours before a service
takes it up; only then is that time put on the line. A naive time is read in the site's zone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from datetime import datetime
from typing import Literal, TypeAlias, assert_never

from carerules.domain.event import (
    A_PERSON,
    Answered,
    Attended,
    Cancelled,
    ChoreAnswered,
    Event,
    Happened,
    Placed,
    PlanDropped,
    PlanKept,
    Rejected,
    Released,
    Sample,
    Stopped,
    UseDropped,
    UsePlanned,
    Value,
    Wanted,
)
from carerules.domain.frozen import guarded
from carerules.domain.keptplan import KeptPlan
from carerules.domain.moment import MINUTE, Duration, LocalTime, Moment
from carerules.domain.pack import Use

USUAL: Mapping[str, float] = {"storage": 50.0, "ready": 100.0}
"""Where a pack is brought when nobody says a level, in %: half full for the shelf, full for a use
(common practice, no source)."""

WANT_AGE_MAX: Duration = 1 * MINUTE
"""What is wanted of a service that does not run is not done when it starts hours later."""

AHEAD_MAX: Duration = 1 * MINUTE
"""A person's watch and the line's rounding: an entry this far ahead is taken as true now."""


@guarded
class Recorded:
    """Things that happened to a pack together: `("charge", "full")`, `("use",)`."""

    pack: str
    what: tuple[str, ...]
    at: datetime


@guarded
class Measured:
    """Values that a person read off a meter, in base units, with what the meter is good for."""

    pack: str
    at: datetime
    values: tuple[Value, ...] = ()
    cells: tuple[float, ...] = ()
    cell_spread: float = 0.0


@guarded
class Place:
    """A pack was put on a station, or taken off (None)."""

    pack: str
    station: str | None


@guarded
class UseAdd:
    """A use is planned: the packs are wanted full at `start`."""

    name: str
    start: datetime
    packs: frozenset[str] = field(default_factory=frozenset)


@guarded
class UseDrop:
    """A planned use is called off."""

    name: str


@guarded
class Attend:
    """Somebody stays with the packs for so many minutes from `at`."""

    minutes: int
    at: datetime


@guarded
class Release:
    """Somebody has looked at a pack, a station or everything (`site`): it may work again."""

    what: str


@guarded
class Stop:
    """All loads off."""

    by: str


@guarded
class Cancel:
    """A job is called off."""

    job: str


@guarded
class Answer:
    """What a job asked is answered."""

    job: str
    yes: bool


@guarded
class ChoreAnswer:
    """A chore is done; or, with `minutes`, not to be shown for so long."""

    key: str
    text: str
    minutes: int | None = None


@guarded
class Want:
    """A pack is wanted at `target` (%) from now on; None: the usual for `storage` or `ready`."""

    pack: str
    goal: Literal["storage", "ready"]
    at: datetime
    target: float | None = None


@guarded
class PlanKeep:
    """A plan is to be kept. Its moments are the line's: they stay true however the wall is set."""

    plan: KeptPlan


@guarded
class PlanDrop:
    """The kept plan is to be kept no more."""


Entry: TypeAlias = (
    Recorded | Measured | Place | UseAdd | UseDrop | Attend | Release | Stop | Cancel | Answer
    | Want | ChoreAnswer | PlanKeep | PlanDrop
)  # fmt: skip


def to_events(entry: Entry, heard: Moment, local: LocalTime) -> tuple[Event, ...]:
    """What the entry tells the core, heard now.

    A time that lies ahead of `heard` by more than a minute is refused as one `Rejected`: the wall
    clock was set back since it was written, or an old journal came to a younger machine.
    """
    match entry:
        case Recorded(pack, what, wall):
            at = _past(wall, heard, local)
            if at is None:
                return (_ahead(heard, wall, local),)
            return tuple(Happened(heard, at, pack, each, A_PERSON) for each in what)
        case Measured(pack, wall, values, cells, cell_spread):
            at = _past(wall, heard, local)
            if at is None:
                return (_ahead(heard, wall, local),)
            sample = Sample(heard, at, pack, values, A_PERSON, cells, cell_spread)
            if any(value.signal == "pack.capacity" for value in values):
                # Whoever counted it took the pack through a whole turn.
                return (sample, Happened(heard, at, pack, "calibration", A_PERSON))
            return (sample,)
        case Place(pack, station):
            return (Placed(heard, pack, station),)
        case UseAdd(name, start, packs):
            return (UsePlanned(heard, Use(name, local.moment(start), packs)),)
        case UseDrop(name):
            return (UseDropped(heard, name),)
        case Attend(minutes, wall):
            at = _past(wall, heard, local)
            if at is None:
                return (_ahead(heard, wall, local),)
            until = at + minutes * MINUTE
            if until <= heard:
                # It lay waiting for longer than the person meant to stay.
                return (Rejected(heard, A_PERSON, "their stay was over before this was read"),)
            return (Attended(heard, until),)
        case Release(what_released):
            return (Released(heard, what_released),)
        case Stop(by):
            return (Stopped(heard, by),)
        case Cancel(job):
            return (Cancelled(heard, job),)
        case Want(pack, goal, wall, target):
            return (_wanted(pack, goal, target, wall, heard, local),)
        case ChoreAnswer(key, text, put_off):
            ends = None if put_off is None else heard + put_off * MINUTE
            return (ChoreAnswered(heard, key, text, ends),)
        case PlanKeep(plan):
            if plan.ends <= heard:
                return (Rejected(heard, A_PERSON, "that plan was over before this was read"),)
            return (PlanKept(heard, plan),)
        case PlanDrop():
            return (PlanDropped(heard),)
        case Answer(job, yes):
            return (Answered(heard, job, yes),)
        case _:
            assert_never(entry)


def _wanted(
    pack: str, goal: Literal["storage", "ready"], target: float | None,
    wall: datetime, heard: Moment, local: LocalTime,
) -> Event:  # fmt: skip
    at = _past(wall, heard, local)
    if at is None:
        return _ahead(heard, wall, local)
    if heard - at > WANT_AGE_MAX:
        why = f"that {pack} was wanted for {goal} is too long ago: nobody may be there any more"
        return Rejected(heard, A_PERSON, why)
    return Wanted(heard, pack, goal, USUAL[goal] if target is None else target)


def _past(wall: datetime, heard: Moment, local: LocalTime) -> Moment | None:
    at = local.moment(wall)
    return min(at, heard) if at <= heard + AHEAD_MAX else None


def _ahead(heard: Moment, wall: datetime, local: LocalTime) -> Rejected:
    shown = wall.astimezone(local.zone)
    return Rejected(heard, A_PERSON, f"`{shown:%Y-%m-%d %H:%M}` lies ahead of the clock")

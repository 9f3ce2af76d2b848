"""Messages to events: one message at one door becomes a sample, a plug's word, or a refusal.

Knows what a profile says of a message. Does not know which topics a site has.
A message is taken whole or refused whole: one bad value in it makes all of it doubtful.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import datetime
from typing import TypeAlias, TypeVar

from carerules.adapters.feed import CELLS_MAX, Feed, FeedProfile
from carerules.adapters.payload import MISSING, Body, Json, Missing, UnreadableError, number, shown
from carerules.adapters.problem import quoted
from carerules.adapters.profile import Metered, Switched, Timer, Word
from carerules.domain.event import PlugLink, PlugReport, Rejected, Sample, SiteSample, Value
from carerules.domain.frozen import guarded
from carerules.domain.moment import SECOND, Duration, Moment
from carerules.domain.quantity import SWITCH, Unit
from carerules.domain.signal import Signal

AHEAD_MAX: Duration = 5 * SECOND
"""A sender's clock may be this far ahead; more, and its time means nothing."""

PLUG_POWER_W_MAX = 20_000.0  # as `station.load.power` in domain/signal
TIMER_S_MAX = 1e9

T = TypeVar("T")

Heard: TypeAlias = Sample | SiteSample | PlugReport | PlugLink | Rejected


@guarded
class Message:
    """What a broker delivered. `retained`: remembered by the broker, not said just now."""

    topic: str
    payload: bytes
    retained: bool = False


@dataclass(slots=True)
class PlugDoor:
    """All that one plug says on one topic."""

    plug: str
    link: list[Switched] = field(default_factory=list)
    state: list[Switched] = field(default_factory=list)
    power: list[Metered] = field(default_factory=list)
    timer: list[Timer] = field(default_factory=list)


@guarded
class ValueDoor:
    """One value of a feed, its signal and its unit found; `scale` times what is sent, and `spread`,
    are in that unit."""

    pointer: str
    signal: Signal
    unit: Unit
    scale: float
    spread: float
    text: bool = False
    on: Word | None = None
    off: Word | None = None


@guarded
class FeedDoor:
    """One feed with its profile, and the values found for it."""

    feed: Feed
    profile: FeedProfile
    values: tuple[ValueDoor, ...]


# ---- plugs -----------------------------------------------------------------------------------


def read_plug(door: PlugDoor, message: Message, heard: Moment) -> list[Heard]:
    """What a message says of one plug: its link, its report, or why it is refused; or nothing.

    Of retained messages only a link is taken: availability is meant to be remembered, state not.
    """
    events: list[Heard] = []
    body = Body(message.payload)
    try:
        for row in door.link:
            up = _switched(row, body)
            if up is not None:
                events.append(PlugLink(heard, door.plug, up))
        if not (door.state or door.power or door.timer):
            return events
        if message.retained:
            raise UnreadableError("retained: what the broker remembers, not what the plug says now")
        report = PlugReport(
            heard,
            door.plug,
            _agreed([_switched(row, body) for row in door.state]),
            _agreed([_metered(row, body, PLUG_POWER_W_MAX) for row in door.power]),
            _agreed([_timer(row, body) for row in door.timer]),
        )
        if (report.on, report.power_w, report.timer_s) != (None, None, None):
            events.append(report)
    except UnreadableError as why:
        events.append(Rejected(heard, message.topic, str(why)))
    return events


def _agreed(said: list[T | None]) -> T | None:
    """The one value that was said; two different ones in one message are doubt."""
    found = [each for each in said if each is not None]
    if any(each != found[0] for each in found):
        raise UnreadableError("it contradicts itself")
    return found[0] if found else None


def _switched(row: Switched, body: Body) -> bool | None:
    if row.pointer is None:
        word: Json | Missing = body.text
    else:
        word = body.at(row.pointer)
    for meant, switched in ((row.on, True), (row.off, False)):
        # The type too: in Python 1 equals true.
        if type(word) is type(meant) and word == meant:
            return switched
    _check_unsaid(word, row.pointer or "payload", optional=row.optional)
    return None


def _metered(row: Metered, body: Body, high: float) -> float | None:
    found = body.at(row.pointer)
    if isinstance(found, Missing) or found is None:
        _check_unsaid(found, row.pointer, optional=row.optional or found is None)
        return None
    return number(found, row.pointer, 0.0, high, float(row.scale))


def _timer(row: Timer, body: Body) -> float | None:
    found = body.at(row.pointer)
    if (isinstance(found, Missing) or found is None) and row.absent == "unarmed":
        return 0.0
    if isinstance(found, Missing) or found is None:
        return None
    return number(found, row.pointer, 0.0, TIMER_S_MAX, float(row.scale))


def _check_unsaid(word: Json | Missing, key: str, *, optional: bool) -> None:
    if isinstance(word, Missing):
        if not optional:
            raise UnreadableError(f"no `{key}`")
    elif word is not None or not optional:
        raise UnreadableError(f"`{key}`: found {shown(word)}, which is neither on nor off")


# ---- feeds -----------------------------------------------------------------------------------


def read_feed(
    door: FeedDoor, message: Message, heard: Moment, offset: Duration
) -> Sample | SiteSample:
    """What a message says for one feed; raises `UnreadableError` where it is refused."""
    if message.retained and not door.profile.retained:
        raise UnreadableError("retained: what the broker remembers, not what was measured now")
    body = Body(message.payload)
    at = _time_of(door.profile, body, heard, offset)
    values = tuple(
        Value(row.signal.name, value, row.spread * abs(row.unit.factor))
        for row in door.values
        if (value := _feed_value(row, body)) is not None
    )
    cells = _cells(door.profile, body)
    if not values and not cells:
        raise UnreadableError("none of the keys that its profile names")
    source = door.feed.name
    if door.feed.pack is None:
        return SiteSample(heard, at, values, source)
    spread = 0.005 if door.profile.cells is None else float(door.profile.cells.spread)
    return Sample(heard, at, door.feed.pack, values, source, cells, spread)


def _feed_value(row: ValueDoor, body: Body) -> float | None:
    found = body.at(row.pointer) if row.pointer else body.whole
    if isinstance(found, Missing) or found is None:
        return None
    key = row.pointer or "the message"
    if row.signal.dimension == SWITCH:
        return float(_feed_switch(row, found, key))
    if row.text and isinstance(found, str):
        found = _number_in(found, key)
    written = number(found, key, -1e15, 1e15, row.scale)
    value = written * row.unit.factor + row.unit.offset
    return number(value, row.pointer, row.signal.low, row.signal.high)


def _feed_switch(row: ValueDoor, found: Json, key: str) -> bool:
    on, off = (True, False) if row.on is None else (row.on, row.off)
    for meant, switched in ((on, True), (off, False)):
        # The type too: in Python 1 equals true.
        if type(found) is type(meant) and found == meant:
            return switched
    wanted = "true or false" if row.on is None else f"{shown(on)} or {shown(off)}"
    raise UnreadableError(f"`{key}`: found {shown(found)}, wanted {wanted}")


def _number_in(text: str, key: str) -> float:
    """The number that a text is, and nothing else."""
    if _PLAIN_NUMBER.fullmatch(text) is None:
        raise UnreadableError(f"`{key}`: found {quoted(text)}, wanted a number")
    return float(text)


_PLAIN_NUMBER = re.compile(r"[+-]?[0-9]{1,15}(?:\.[0-9]{1,15})?")


def _cells(profile: FeedProfile, body: Body) -> tuple[float, ...]:
    if profile.cells is None:
        return ()
    pointer = profile.cells.pointer
    found = body.at(pointer)
    if isinstance(found, Missing) or found is None:
        return ()
    if not isinstance(found, list) or not 1 <= len(found) <= CELLS_MAX:
        raise UnreadableError(f"`{pointer}`: wanted a list of 1 to {CELLS_MAX} voltages")
    scale = float(profile.cells.scale)
    return tuple(number(v, f"{pointer}/{i}", 0.0, 5.0, scale) for i, v in enumerate(found))


def _time_of(profile: FeedProfile, body: Body, heard: Moment, offset: Duration) -> Moment:
    found = MISSING if profile.at is None else body.at(profile.at)
    if isinstance(found, Missing) or found is None:
        return heard
    key = str(profile.at)
    if isinstance(found, str):
        try:
            read = datetime.fromisoformat(found)
            if read.tzinfo is None:
                raise UnreadableError(f"`{key}`: found {quoted(found)}, wanted a time with offset")
            wall_s = read.timestamp()
        except (ValueError, OverflowError):
            raise UnreadableError(f"`{key}`: found {quoted(found)}, wanted ISO 8601") from None
    else:
        wall_s = number(found, key, 0.0, 1e12)
    at = round(wall_s * 1_000) - offset
    if at > heard + AHEAD_MAX:
        raise UnreadableError(f"`{key}`: {(at - heard) / 1_000:.0f} s ahead of the clock")
    if at < heard - profile.max_age_s * SECOND:
        raise UnreadableError(f"`{key}`: {(heard - at) / 1_000:.0f} s old")
    return min(at, heard)

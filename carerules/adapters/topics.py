"""The topics of a site: which plug or feed speaks on each, built once and checked.

Knows profiles and what the site file says of plugs and feeds. Does not know brokers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TypeVar

from carerules.adapters.doors import (
    FeedDoor,
    Heard,
    Message,
    PlugDoor,
    ValueDoor,
    read_feed,
    read_plug,
)
from carerules.adapters.feed import BARE_UNITS, Feed, FeedProfile
from carerules.adapters.payload import UnreadableError
from carerules.adapters.plug import fits
from carerules.adapters.problem import Problem, quoted
from carerules.adapters.profile import Metered, PlugProfile, Switched, Timer
from carerules.adapters.template import check_fillings, fill
from carerules.domain.event import Rejected
from carerules.domain.moment import Duration, Moment
from carerules.domain.pack import Plug
from carerules.domain.quantity import COUNT, SWITCH, Unit, unit_named
from carerules.domain.signal import Catalogue, Scope

R = TypeVar("R", Switched, Metered, Timer)


class Topics:
    """The doors of a site, by topic. Made by `topics_of`."""

    def __init__(self, plugs: Mapping[str, list[PlugDoor]], feeds: Mapping[str, list[FeedDoor]]):
        self._plugs, self._feeds = plugs, feeds

    @property
    def subscriptions(self) -> tuple[str, ...]:
        """Every topic to listen to, sorted; none has a wildcard."""
        return tuple(sorted({*self._plugs, *self._feeds}))

    def carries_plugs(self, topic: str) -> bool:
        """Whether a plug speaks there: of two messages too many, the sample is dropped first."""
        return topic in self._plugs

    def read(self, message: Message, heard: Moment, offset: Duration) -> tuple[Heard, ...]:
        """What the message says; one event for each plug or feed that it concerns.

        `offset` is the wall clock's lead over the line, for senders that name a time.
        Never raises, whatever the bytes.
        """
        events: list[Heard] = []
        for door in self._plugs.get(message.topic, ()):
            events += read_plug(door, message, heard)
        for feed_door in self._feeds.get(message.topic, ()):
            try:
                events.append(read_feed(feed_door, message, heard, offset))
            except UnreadableError as why:
                events.append(Rejected(heard, message.topic, str(why)))
        if not events and message.topic not in self._plugs:
            events.append(Rejected(heard, quoted(message.topic), "nobody listens on this topic"))
        return tuple(events)


def topics_of(
    plugs: Mapping[str, Plug],
    plug_profiles: Mapping[str, PlugProfile],
    feeds: Sequence[Feed],
    feed_profiles: Mapping[str, FeedProfile],
    signals: Catalogue,
) -> Topics | list[Problem]:
    """The doors of a site, or everything in its plugs and feeds that does not fit."""
    problems: list[Problem] = []
    plug_doors: dict[str, list[PlugDoor]] = {}
    feed_doors: dict[str, list[FeedDoor]] = {}
    for plug in plugs.values():
        profile = plug_profiles[plug.profile]
        problem = fits(plug, profile)
        if problem is not None:
            problems.append(_at(problem, f"plugs.{plug.name}"))
            continue
        for topic, door in doors_of(plug, profile).items():
            plug_doors.setdefault(topic, []).append(door)
    for feed in feeds:
        opened = _feed_door(feed, feed_profiles[feed.profile], signals)
        if isinstance(opened, Problem):
            problems.append(_at(opened, f"feeds.{feed.name}"))
            continue
        topic = fill(opened.profile.topic, feed.variables)
        feed_doors.setdefault(topic, []).append(opened)
    return problems or Topics(plug_doors, feed_doors)


def _at(problem: Problem, where: str) -> Problem:
    place = f"{where}.{problem.where}" if problem.where else where
    return Problem(problem.found, problem.wanted, problem.mend, place)


def doors_of(plug: Plug, profile: PlugProfile) -> dict[str, PlugDoor]:
    """The doors of one plug, by topic."""
    doors: dict[str, PlugDoor] = {}

    def door(template: str) -> PlugDoor:
        return doors.setdefault(fill(template, plug.variables), PlugDoor(plug.name))

    def here(row: R) -> R:
        if row.pointer is None:
            return row
        return row.model_copy(update={"pointer": fill(row.pointer, plug.variables)})

    if profile.availability is not None:
        door(profile.availability.topic).link.append(here(profile.availability.row()))
    for state in profile.state:
        door(state.topic).state.append(here(state))
    for power in profile.power:
        door(power.topic).power.append(here(power))
    for timer in profile.timer:
        door(timer.topic).timer.append(here(timer))
    return doors


def _feed_door(feed: Feed, profile: FeedProfile, signals: Catalogue) -> FeedDoor | Problem:
    problem = check_fillings(profile.vars, feed.variables, profile.name)
    if problem is not None:
        return problem
    if (profile.about == "pack") != (feed.pack is not None):
        if feed.pack is None:
            return Problem("no `pack`", "the pack whose values these are", "add `pack`")
        return Problem(f"`pack` {quoted(feed.pack)}", "a profile about a pack",
                       f"leave `pack` out: profile `{profile.name}` is about the site")  # fmt: skip
    values: list[ValueDoor] = []
    for row in profile.value:
        name = fill(row.signal, feed.variables)
        signal = signals.get(name)
        if signal is None or not signal.raw or signal.scope is not Scope(profile.about):
            wanted = f"a signal of the {profile.about} that can be measured"
            mend = "`carerules reference` lists the signals"
            return Problem(quoted(name), wanted, mend, where=row.pointer)
        unit = Unit("", signal.dimension) if row.unit in BARE_UNITS else unit_named(row.unit)
        assert unit is not None, "the profile has checked its units"
        bare = {"on/off": SWITCH, "count": COUNT}
        dimension = bare.get(row.unit, unit.dimension)
        if dimension != signal.dimension:
            return Problem(f"unit {quoted(row.unit)}", f"a unit of {signal.dimension.name}",
                           f"`{name}` is measured in {signal.dimension.unit}",
                           where=row.pointer)  # fmt: skip
        if profile.retained and profile.at is None and signal.max_age is not None:
            return Problem("`retained` without `at`", "signals that are kept, or the sender's time",
                           f"say `kept = true` of `{name}`, or take `retained` out",
                           where=row.pointer)  # fmt: skip
        scale, spread = float(row.scale), float(row.spread)
        values.append(
            ValueDoor(row.pointer, signal, unit, scale, spread, row.text, row.on, row.off)
        )
    return FeedDoor(feed, profile, tuple(values))

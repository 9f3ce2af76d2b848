"""A notice on its way to people: the incident that it tells of, and one letter for each channel.

Knows what is remembered of each. Does not know when a letter goes, nor how it travels.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field

from carerules.domain.frozen import frozen, guarded
from carerules.domain.moment import Duration, Moment


@guarded
class Incident:
    """One thing that people are told of, under one key, however often it is said.

    `text` are the words heard last, at `heard`; `waits`: they are news that no letter carries yet.
    `told` and `times` say when letters were last made, and how often in a row. `urgent_since` is
    when it became urgent. `over`: it has ended by itself. `joined` are the channels that it has
    gone on to because nobody answered.
    """

    number: int
    key: str
    text: str
    pack: str
    urgent: bool
    to: str
    heard: Moment
    waits: bool = True
    told: Moment | None = None
    times: int = 0
    urgent_since: Moment | None = None
    acknowledged: Moment | None = None
    snoozed_until: Moment = 0
    over: bool = False
    joined: tuple[str, ...] = ()


@guarded
class Letter:
    """The words of an incident for one channel; incident number 0: a test of the channel.

    Tried next at `due`; `done` when it arrived, `dropped` why it no longer needs to.
    """

    number: int
    incident: int
    key: str
    channel: str
    text: str
    urgent: bool
    made: Moment
    due: Moment
    tries: int = 0
    done: Moment | None = None
    dropped: str = ""
    error: str = ""

    @property
    def waits(self) -> bool:
        """Whether it is still to be delivered."""
        return self.done is None and not self.dropped


@frozen
class Way:
    """A channel as the core sees it.

    `after` None: it carries every notice; else only urgent ones that nobody has acknowledged for so
    long. `daily_test`: it is tested when nothing has gone over it for most of a day.
    """

    name: str
    after: Duration | None = None
    daily_test: bool = True


@guarded
class Outbox:
    """All incidents by key, all letters by number, and when each channel last delivered."""

    incidents: Mapping[str, Incident] = field(default_factory=dict)
    letters: Mapping[int, Letter] = field(default_factory=dict)
    proven: Mapping[str, Moment] = field(default_factory=dict)

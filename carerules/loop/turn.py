"""One turn of the loop while it is being made: the world so far, and what was decided.

Knows how to change one thing at a time. Does not know why. It lives inside one call of `step`, so
that to everybody else the step is a pure function.
"""

from __future__ import annotations

from typing import Any, TypeVar

from carerules.domain.decision import ChoreClosed, ChoreOpened, Notice, Outcome
from carerules.domain.event import Wanted
from carerules.domain.frozen import changed, frozen
from carerules.domain.moment import Moment
from carerules.domain.pack import Pack
from carerules.engine import BoundRule
from carerules.loop.saying import say_chore
from carerules.loop.world import OpenChore, PackState, World, put, without
from carerules.safety import PlugState


@frozen
class Activation:
    """A rule became true for a pack: since when, and on what values."""

    pack: str
    rule: BoundRule
    since: Moment
    why: tuple[str, ...]


class Turn:
    """The draft of one step.

    The world and each pack that changes are copied once, when the turn first touches them, and
    then written in place: the copies are this turn's own, nobody else has seen them, and the world
    that was given stays as it was. A state read before a change shows the change.

    `fired` are the activations that no job has been opened for yet; `fired_before` the rules whose
    activation is known already while late samples are put in their place; `recounted`: a number of
    packs has changed; `wanted`: what a person has asked for, until a job is opened for it.
    """

    __slots__ = (
        "_drafts",
        "_plugs",
        "fired",
        "fired_before",
        "outcomes",
        "recounted",
        "wanted",
        "world",
    )

    def __init__(self, world: World, now: Moment) -> None:
        self.world = _draft(world)
        self._drafts: dict[str, PackState] = {}
        self._plugs: list[str] = []
        self.outcomes: list[Outcome] = []
        self.fired: list[Activation] = []
        self.fired_before: frozenset[str] = frozenset()
        self.recounted = False
        self.wanted: Wanted | None = None
        vars(self.world)["now"] = now

    def decide(self, *outcomes: Outcome) -> None:
        """Take down what was decided, in order."""
        self.outcomes.extend(outcomes)

    def change(self, **changes: Any) -> None:
        """Replace fields of the world."""
        vars(self.world).update(changes)

    def done(self) -> World:
        """The world as the turn leaves it, and what of it has changed."""
        vars(self.world)["touched"] = (tuple(self._drafts), tuple(self._plugs))
        return self.world

    def pack(self, name: str) -> PackState:
        """The pack's state so far."""
        return self.world.packs[name]

    def rated(self, name: str) -> Pack:
        """What stands on the pack's label."""
        return self.world.setup.site.packs[name]

    def set_pack(self, name: str, **changes: Any) -> None:
        """Replace fields of one pack's state."""
        draft = self._drafts.get(name)
        if draft is None:
            draft = self._drafts[name] = _draft(self.world.packs[name])
            vars(self.world)["packs"] = put(self.world.packs, name, draft)
        vars(draft).update(changes)

    def set_plug(self, state: PlugState) -> None:
        """Replace one plug's state."""
        self._plugs.append(state.name)
        self.change(plugs=put(self.world.plugs, state.name, state))

    def set_station(self, name: str, **changes: Any) -> None:
        """Replace fields of one station's state."""
        state = changed(self.world.stations[name], **changes)
        self.change(stations=put(self.world.stations, name, state))

    def open_chore(self, key: str, pack: str, text: str, *, tell: bool = True) -> None:
        """Put it on the to-do list and tell someone; the same words again are no news."""
        known = self.world.chores.get(key)
        if known is not None and known.text == text:
            return
        chore = OpenChore(key, pack, text, self.world.now)
        if known is not None:
            chore = changed(known, text=text)
        self.change(chores=put(self.world.chores, key, chore))
        self.decide(ChoreOpened(key, pack, text))
        if tell and known is None:
            self.decide(Notice(f"chore {key}", say_chore(chore, self.world), pack))

    def close_chore(self, key: str) -> None:
        """Take it off the list, if it is there."""
        if key in self.world.chores:
            self.change(chores=without(self.world.chores, key))
            self.decide(ChoreClosed(key))


T = TypeVar("T", World, PackState)


def _draft(value: T) -> T:
    """A copy to write in: several times cheaper than building a new one for each change."""
    copy = _new(type(value))
    _set(copy, "__dict__", vars(value).copy())
    return copy


_new, _set = object.__new__, object.__setattr__

"""The virtual site with everything that can come between it and the service.

Knows what is spoilt, delayed, lost or held up on the way. Does not know why, nor when it began.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from itertools import count
from random import Random
from typing import TypeAlias

from carerules.campaign.ground import BEGIN
from carerules.campaign.journal import MemoryJournal
from carerules.campaign.observer import Observer
from carerules.domain.decision import Command, SwitchOff, SwitchOn
from carerules.domain.event import Event, PlugLink, PlugReport, Sample, Tick, Value
from carerules.domain.moment import SECOND, Duration, Moment
from carerules.loop import Setup
from carerules.sim import VirtualOutside, VirtualSite

LOST_SHARE = 0.3
"""Of the words on a bad wire: worse than any house has (our choice)."""

Act: TypeAlias = Callable[[], Sequence[Event]]
"""Something happens to the site; what the service hears of it at once."""
Spoiler: TypeAlias = Callable[[Sample], Sample | None]


@dataclass
class Wire:
    """The way to one plug: its words out and in."""

    cut: bool = False
    lossy: Random | None = None
    doubled: bool = False
    delay: Duration = 0

    def loses(self) -> bool:
        """Whether this word gets lost."""
        return self.cut or (self.lossy is not None and self.lossy.random() < LOST_SHARE)


class Stage(VirtualOutside):
    """`domain.ports.Outside` for the service of one night, with an observer of the truth.

    `second` are the packs of which a hub tells, too. `spoilers` change a pack's samples on their
    way, `doubtful` are the packs whose samples cannot be believed meanwhile; `wires` are the ways
    to the plugs. `hung_until`: the service hangs, and hears all at once afterwards. `down_until`:
    it is to be killed, and begun anew then. `edited`: the rules are to be taken up anew, and are
    these.
    """

    def __init__(
        self, site: VirtualSite, setup: Setup, length: Duration, second: Collection[str] = ()
    ) -> None:
        super().__init__(site)
        self.setup, self.length, self.second = setup, length, second
        self.observer = Observer(site, site.now)
        self.journal = MemoryJournal()
        self.spoilers: dict[str, Spoiler] = {}
        self.doubtful: set[str] = set()
        self.wires: dict[str, Wire] = {plug: Wire() for plug in site.site.plugs}
        self.hung_until: Moment = 0
        self.down_until: Moment | None = None
        self.is_down = False
        self.edited: int | None = None
        self._story: list[tuple[Moment, object]] = []
        self._acts: list[tuple[Moment, int, Act]] = []
        self._order = count()

    # ---- what happens ------------------------------------------------------------------------

    def say(self, what: object) -> None:
        """Take it down for the night's story."""
        self._story.append((self.now(), what))

    def story(self) -> tuple[str, ...]:
        """What happened and was decided, a line each, by seconds into the night."""
        return tuple(f"{(at - BEGIN) / SECOND:9.1f}  {what}" for at, what in self._story)

    def at(self, moment: Moment, act: Act) -> None:
        """Have something happen at a moment."""
        self._acts.append((moment, next(self._order), act))
        self._acts.sort(key=lambda one: one[:2])

    def later(self, after: Duration, act: Act) -> None:
        """Have something happen so much later."""
        self.at(self.now() + after, act)

    # ---- the seam ----------------------------------------------------------------------------

    def wait(self, due: Moment) -> Sequence[Event]:
        """What gets through, or a `Tick` at `due`; the observer looks all the while."""
        held: list[Event] = []
        due = max(due, self.world.now)
        while True:
            heard = self._next(max(due, self.hung_until))
            held += heard
            if self.world.now >= self.hung_until and (held or self.world.now >= due):
                return held or [Tick(self.world.now)]

    def _next(self, due: Moment) -> list[Event]:
        world, acts = self.world, self._acts
        target = min(due, self.observer.looks_at)
        if acts and acts[0][0] < target:
            target = acts[0][0]
        heard = world.advance_once(max(target, world.now))
        self.observer.look()
        through: list[Event] = []
        for event in heard:
            through += self._through(event)
        while acts and acts[0][0] <= world.now:
            through += acts.pop(0)[2]()
        return through

    def _through(self, event: Event) -> Sequence[Event]:
        match event:
            case Sample(pack=pack):
                spoil = self.spoilers.get(pack)
                got = event if spoil is None else spoil(event)
                through = () if got is None else (got,)
                if pack in self.second:
                    through = (*through, _by_another(event))
                if through and (pack not in self.doubtful or pack in self.second):
                    self.observer.believable_at[pack] = self.world.now
                    if not self.is_down:
                        self.observer.unseen_ah.pop(pack, None)
                return through
            case PlugReport(plug=plug) | PlugLink(plug=plug):
                wire = self.wires[plug]
                if wire.loses():
                    return ()
                return (event, event) if wire.doubled else (event,)
            case _:
                return (event,)

    def perform(self, command: Command) -> None:
        """A command on its way; what becomes of it is the wire's."""
        wanted = self.observer.off_wanted
        match command:
            case SwitchOff():
                wanted.setdefault(command.plug, self.world.now)
            case SwitchOn():
                wanted.pop(command.plug, None)
        wire = self.wires[command.plug]
        for _ in range(2 if wire.doubled else 1):
            if wire.loses():
                continue
            if isinstance(command, SwitchOn):
                self.observer.excused.renewed(command.plug, self.world.now + wire.delay)
                self.observer.liars.renewed(command.plug, self.world.now + wire.delay)
            if wire.delay:
                if isinstance(command, SwitchOn):
                    self.observer.late_on[command.plug] = self.world.now + wire.delay
                self.later(wire.delay, _arrives(self.world, command))
            else:
                super().perform(command)


def _by_another(sample: Sample) -> Sample:
    """What the hub's own feed says of the same pack: its volts alone, rounded to a tenth."""
    volts = tuple(
        Value(one.signal, round(one.value, 1), 0.05)
        for one in sample.values
        if one.signal == "pack.voltage"
    )
    return replace(sample, values=volts, cells=(), source=f"hub {sample.pack}")


def _arrives(world: VirtualSite, command: Command) -> Act:
    def act() -> Sequence[Event]:
        world.send(command)
        return ()

    return act

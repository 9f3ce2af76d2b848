"""The service: wait, step, journal, perform, tell; again.

Knows the order in which these must happen. Does not know what is decided, nor which outside it
works in. OFF goes out at once and needs no disk; ON goes out only when its reason is durable.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from carerules.adapters import WaitingEntry
from carerules.domain.decision import AskPlug, Command, Outcome, SwitchOff, SwitchOn
from carerules.domain.event import (
    ChannelProved,
    ClockSet,
    Ended,
    Event,
    PlugReport,
    Rejected,
    Sample,
    SiteSample,
    Stopped,
    Tick,
)
from carerules.domain.moment import MINUTE, SECOND, Duration, Moment
from carerules.domain.ports import Journal, JournalError, NotOwnerError, Outside
from carerules.loop import ASLEEP, Dues, World, step
from carerules.safety import PERMIT_AGE_MAX
from carerules.service.desk import Desk, answer_of, events_of, taken_off

Teller = Callable[[Event, Sequence[Outcome], World], None]
"""Says what was heard and decided; must not block, must not raise."""

LEAVE_WITHIN: Duration = 12 * SECOND
"""On leaving, so long is waited for every plug to be read back off."""
SNAPSHOT_EVERY: Duration = 10 * MINUTE
LIGHT_EVERY: Duration = 10 * SECOND
"""Samples on which nothing was decided are made durable so often: packs speak no oftener, and
what a crash loses of them the next ones say again."""
LIGHT_MAX = 1_000
"""Nor do more than so many wait, or the commit before an ON has them all to write: a tenth of a
second after eight of a flood of 2000 messages a second (benchmarks/latency.py)."""


@dataclass(slots=True)
class Service:
    """One running service. `journal` None: a rehearsal, nothing is kept; `desk` None: nobody
    enters anything.

    `leave` is asked between batches; `snapshot` is given the world every ten minutes and at the
    end, when all that led to it is durable. `entered` is told what a person did, for an outside
    that is played. `idle` is the longest it waits for anything; `alive` is called at each turn,
    `between` where rules may be swapped.
    """

    world: World
    outside: Outside
    journal: Journal | None
    tell: Teller
    desk: Desk | None = None
    leave: Callable[[], bool] = lambda: False
    snapshot: Callable[[World], None] = lambda _: None
    entered: Callable[[Event], None] = lambda _: None
    idle: Duration = MINUTE
    alive: Callable[[], None] = lambda: None
    between: Callable[[], None] = lambda: None
    faulted: str = ""
    _snapshot_at: Moment = field(default=0)
    _committed_at: Moment = field(default=0)
    _uncommitted: int = field(default=0)
    _dues: Dues = field(default_factory=Dues)

    def run(self, first: Sequence[Event], until: Moment | None = None) -> World:
        """Listen until told to leave, or until a moment; then everything off, and read back.

        `first` begins with `Started`. Whatever goes wrong in here, the way out of it is the same:
        OFF to every plug at once.
        """
        try:
            self.take(first)
            while not self.leave() and (until is None or self.outside.now() < until):
                self.alive()
                due = min(self.due(), self.world.now + self.idle)
                due = due if until is None else min(due, until)
                heard = self.outside.wait(due)
                # Whoever brought something off beside us, while we hung, must not find it on again:
                # the time is up for us before their word of it is.
                self._note_late(self.outside.now() - due)
                self.take(heard)
                self._take_entries()
                self.between()
            self.bring_off()
        except NotOwnerError:
            raise  # whoever has the site now has its plugs: a word of ours would meet theirs
        except BaseException:
            self.off_at_once("the service failed")
            raise
        return self.world

    def take(
        self,
        events: Sequence[Event],
        before_commit: Callable[[Sequence[Outcome]], None] | None = None,
    ) -> None:
        """One batch: step each event, OFF at once, commit, then ON, then tell."""
        held: list[Command] = []
        told: list[tuple[Event, Sequence[Outcome], World]] = []
        weighty, late = before_commit is not None, 0
        for event in events:
            before = self.world
            self.world, outcomes = step(before, event)
            self._dues.follow(before, self.world)
            for outcome in outcomes:
                if isinstance(outcome, SwitchOff):
                    # An OFF that comes after a held ON for the same plug takes its place.
                    held = [one for one in held if one.plug != outcome.plug]
                    self.outside.perform(outcome)
                elif isinstance(outcome, (SwitchOn, AskPlug)):
                    held.append(outcome)
            if self.journal is not None:
                self._write(event, outcomes)
                weighty = weighty or _weighty(event, outcomes)
            told.append((event, outcomes, self.world))
        if before_commit is not None:
            before_commit([outcome for _, outcomes, _ in told for outcome in outcomes])
        if self._commit(now=weighty) and held:
            late = self._perform(held)
        for event, outcomes, world in told:
            self.tell(event, outcomes, world)
        self._keep_snapshot()
        self._note_late(late)

    def _note_late(self, late: Duration) -> None:
        """Timers have run out meanwhile: a renewal now would close what is open, unasked."""
        if late > ASLEEP:
            # Not at the outside's now: what waits in the inbox was stamped before that.
            self.take([ClockSet(self.world.now, self.world.local.offset, late)])

    def due(self) -> Moment:
        """When it must be woken at the latest, though nothing is heard."""
        return self._dues.next(self.world)

    def _perform(self, held: Sequence[Command]) -> Duration:
        """Say what waited for the journal, but no ON whose permit has grown stale (a disk or a
        process that hung): the plug's own timer has the word. How stale the oldest is."""
        now = self.outside.now()
        late = max((now - _permit_at(one, now) for one in held), default=0)
        for command in held:
            is_on = isinstance(command, SwitchOn)
            if not is_on or (late <= ASLEEP and now - _permit_at(command, now) <= PERMIT_AGE_MAX):
                self.outside.perform(command)
        return late

    def _take_entries(self) -> None:
        """What people have entered since the last look, each with its answer in one commit."""
        if self.desk is None or self.faulted:
            return
        desk = self.desk
        try:
            for one in desk.waiting():
                # Not the outside's now: what waits in the inbox was stamped before that.
                events = events_of(one, self.world.now, self.world)
                off = taken_off(events, self.world)

                def answered(
                    outcomes: Sequence[Outcome],
                    one: WaitingEntry = one,
                    events: Sequence[Event] = events,
                    off: str = off,
                ) -> None:
                    desk.answer(one, answer_of(events, outcomes, off))

                self.take(events, answered)
                for event in events:
                    self.entered(event)
        except JournalError as error:
            self._fault(error)

    def bring_off(self) -> None:
        """Everything off, and wait for it to be read back, as long as is decent."""
        self.take([Ended(self.world.now)])
        give_up = self.outside.now() + LEAVE_WITHIN
        while not all_off(self.world) and self.outside.now() < give_up:
            self.alive()
            self.take(self.outside.wait(min(self.due(), give_up)))
        self._keep_snapshot(now=True)

    def off_at_once(self, because: str) -> None:
        """OFF to every plug, asking nobody: no journal, no rule, no clock."""
        for name in self.world.plugs:
            self.outside.perform(SwitchOff(name, because))

    # ---- the journal -------------------------------------------------------------------------

    def _write(self, event: Event, outcomes: Sequence[Outcome]) -> None:
        if self.journal is None or self.faulted:
            return
        kept = [outcome for outcome in outcomes if worth_keeping(outcome)]
        if kept or not isinstance(event, Tick):
            try:
                self.journal.write(event, kept)
                self._uncommitted += 1
            except JournalError as error:
                self._fault(error)

    def _commit(self, *, now: bool) -> bool:
        """Whether what was decided is durable; without a journal that can hold, nothing goes on.

        Samples on which nothing was decided wait: a commit takes milliseconds, and wears a card
        out.
        """
        if self.journal is None:
            return True
        every = max(self.idle, LIGHT_EVERY)
        now = now or self._uncommitted >= LIGHT_MAX
        if not self.faulted and (now or self.world.now - self._committed_at >= every):
            self._committed_at, self._uncommitted = self.world.now, 0
            try:
                self.journal.commit()
            except JournalError as error:
                self._fault(error)
        return not self.faulted

    def _fault(self, error: JournalError) -> None:
        """The journal cannot be written: everything off, and go on listening and telling. One that
        is another's by now ends the service at once."""
        if isinstance(error, NotOwnerError):
            raise error
        if self.faulted:
            return
        self.faulted = f"the journal cannot be written: {error}"
        self.off_at_once(self.faulted)
        self.world, outcomes = step(self.world, Stopped(self.world.now, self.faulted))
        for outcome in outcomes:
            if isinstance(outcome, SwitchOff):
                self.outside.perform(outcome)
        self.tell(Stopped(self.world.now, self.faulted), outcomes, self.world)

    def _keep_snapshot(self, *, now: bool = False) -> None:
        if self.journal is None or self.faulted:
            return
        if now or self.world.now >= self._snapshot_at:
            self._snapshot_at = self.world.now + SNAPSHOT_EVERY
            try:
                self.snapshot(self.world)
            except JournalError as error:
                self._fault(error)


def all_off(world: World) -> bool:
    """Whether every plug has been read back off."""
    return all(plug.proven_off and not plug.on for plug in world.plugs.values())


def worth_keeping(outcome: Outcome) -> bool:
    """Whether an outcome belongs in the journal: renewals and repeats say nothing new."""
    match outcome:
        case AskPlug():
            return False
        case SwitchOn(renewal=renewal):
            return not renewal
        case SwitchOff(again=again):
            return not again
        case _:
            return True


_LIGHT = (Sample, PlugReport, Tick, SiteSample, Rejected, ChannelProved)


def _weighty(event: Event, outcomes: Sequence[Outcome]) -> bool:
    """Whether it must be durable before anything goes on: a person's word, or a decision."""
    if not isinstance(event, _LIGHT):
        return True
    return bool(outcomes) and not all(isinstance(outcome, AskPlug) for outcome in outcomes)


def _permit_at(command: Command, now: Moment) -> Moment:
    return command.permit_at if isinstance(command, SwitchOn) else now

"""New rules for a running service: checked first, then everything off, then swapped.

Knows the order in which that must happen. Does not know how the files are read. A swap is a start
without a new process: OFF first, read back; the world as the journal has it, bound to the new
rules; and every job that was under way must qualify again, under the new rules and their `never`.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence

from carerules.adapters import KeptJournal
from carerules.domain.decision import Outcome
from carerules.domain.event import Attended, Cancelled, Event, Rejected, Started, Tick
from carerules.domain.frozen import guarded
from carerules.domain.moment import Moment
from carerules.domain.plan import Plan, Rule
from carerules.domain.spelling import counted
from carerules.loop import Setup, World
from carerules.service.memory import WorldStore
from carerules.service.rules import SiteRules
from carerules.service.run import Service, all_off


@guarded
class Change:
    """Names of rules that are new, gone, or mean something else now."""

    new: tuple[str, ...]
    gone: tuple[str, ...]
    changed: tuple[str, ...]
    nevers: int

    def show(self) -> str:
        """One line."""
        parts = [f"{word} {', '.join(names)}"
                 for word, names in (("new", self.new), ("gone", self.gone),
                                     ("changed", self.changed)) if names]  # fmt: skip
        if self.nevers:
            parts.append(f"{self.nevers} `never` differ")
        return "; ".join(parts) or "no rule means anything else"


def change_of(before: Plan, after: Plan) -> Change:
    """What differs between two plans; comments, layout and order make no difference."""
    old = {rule.name: _meaning(rule) for rule in before.rules}
    new = {rule.name: _meaning(rule) for rule in after.rules}
    # Not by their place in the text, which moves with every line above.
    nevers = {one.key for one in before.nevers} ^ {one.key for one in after.nevers}
    return Change(
        new=tuple(sorted(new.keys() - old.keys())),
        gone=tuple(sorted(old.keys() - new.keys())),
        changed=tuple(sorted(name for name in old.keys() & new.keys() if old[name] != new[name])),
        nevers=len(nevers),
    )


def _meaning(rule: Rule) -> tuple[object, ...]:
    """All that it says, but for its name and its place in the text."""
    return rule.key, rule.actions, rule.stop_when, rule.over, rule.because


def take_up(
    service: Service,
    rules: SiteRules,
    again: Callable[[Setup], World],
    offset: Callable[[], int],
) -> str:
    """Go on under the new rules, or, where they have an error, under the old ones; in one line.

    `again` gives the world as the journal has it, bound to new rules; `offset` the wall clock's
    lead. Errors leave everything as it is, and are journalled as a refusal.
    """
    if rules.setup is None:
        errors = [found for found in rules.loaded.diagnostics if found.severity.value == "error"]
        first = errors[0].message if errors else "they do not read"
        why = f"{counted(len(errors), 'error')}, first: {first}; the old rules go on"
        service.take([Rejected(service.world.now, "the edited rules", why)])
        return f"refused: {why}"
    old = service.world
    change = change_of(old.setup.plan, rules.setup.plan)
    if not (change.new or change.gone or change.changed or change.nevers):
        return change.show()
    service.bring_off()
    if service.faulted:
        return f"refused: {service.faulted}"
    if not all_off(service.world):
        # A plug that is not proved off has the service's whole attention; the edit can wait.
        service.take([Started(service.world.now, offset(), 0)])
        return "refused: not every plug is proved off; the old rules go on"
    service.world = again(rules.setup)
    now = _caught_up(service)
    # Whoever is there has not left because rules were edited.
    there = [Attended(now, old.attended_until)] if old.attended_until > now else []
    # A job under way is tightened by an edit, never loosened: one whose rule reads otherwise ends.
    ended = [Cancelled(now, job.id) for state in old.packs.values() for job in state.jobs
             if job.rule in change.changed]  # fmt: skip
    service.take([Started(now, offset(), 0), *there, *ended])
    return f"taken up: {change.show()}"


def _caught_up(service: Service) -> Moment:
    """Take what came in while the rules were read, which may have been minutes: it was stamped
    before the outside's now. Nothing begins on it: the world has ended. Up to when all is heard."""
    while not service.leave():
        service.alive()
        heard = service.outside.wait(service.world.now)
        service.take(heard)
        if any(isinstance(event, Tick) for event in heard):
            break
    return service.world.now


REREAD_WITHIN_S = 30.0
"""Everything goes off first, and is read back, before edited rules are taken up."""


class Reread:
    """A wish that the rules be read again, from any thread, and what came of it."""

    def __init__(self, wake: Callable[[], None]) -> None:
        self._wake = wake
        self._turn = threading.Lock()
        self._wished, self._done = threading.Event(), threading.Event()
        self._said = ""

    def ask(self) -> str:
        """Have the service do it, and wait for what came of it, in one line."""
        with self._turn:
            self._done.clear()
            self._wished.set()
            self._wake()
            if not self._done.wait(REREAD_WITHIN_S):
                return "the service has not taken it up yet: look at its log"
            return self._said

    def heed(self, read_again: Callable[[], str]) -> str:
        """In the service's thread, between two turns: what came of a wish, or nothing."""
        if not self._wished.is_set():
            return ""
        self._wished.clear()
        self._said = read_again()
        self._done.set()
        return self._said


@guarded
class Fed:
    """A store that says "still alive" with each event read: a rule that looks back over weeks may
    take minutes, and the supervisor must not take that for a service that hangs."""

    store: WorldStore
    alive: Callable[[], None]

    def events(self, after_seq: int = 0) -> Iterator[tuple[int, Event]]:
        """As the store's."""
        for one in self.store.events(after_seq):
            self.alive()
            yield one

    def outcomes(self, after_seq: int = 0) -> Iterator[tuple[int, Outcome]]:
        """As the store's."""
        return self.store.outcomes(after_seq)

    def snapshots(self) -> Sequence[tuple[int, str]]:
        """As the store's."""
        return self.store.snapshots()


def fed(journal: KeptJournal) -> WorldStore:
    """The journal to restore from. Where another machine could take the site over, whoever watches
    is told meanwhile that this one lives: years of facts take longer than it waits."""
    return Fed(journal, journal.check_in_place) if journal.fenced else journal

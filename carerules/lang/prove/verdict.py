"""What was found out about a plan: each verdict with the state that shows it.

Knows rules and witnesses. Does not know how a verdict is reached, nor how it is told.
"""

from __future__ import annotations

from enum import Enum
from typing import TypeAlias

from carerules.domain.action import Action
from carerules.domain.frozen import guarded
from carerules.domain.pack import Pack
from carerules.domain.plan import Never, Rule
from carerules.domain.quantity import Quantity
from carerules.lang.prove.witness import State, Witness


@guarded
class NeverTrue:
    """A rule that never fires, or a `never` that never forbids: no state makes it true."""

    what: Rule | Never


@guarded
class OnlyAtFirst:
    """A rule or `never` that can be true only until what it looks back on has been known for so
    long: after the first reading, or after a silence."""

    what: Rule | Never


@guarded
class AlwaysTrue:
    """A rule or `never` whose condition is true whatever the values are."""

    what: Rule | Never


@guarded
class IdleRearm:
    """A rule whose `rearm when` is true wherever its condition is: it holds nothing back."""

    rule: Rule


@guarded
class Misfit:
    """A rule or `never` that asks of a pack's whole voltage what a pack of its cells cannot have.

    `level` is the voltage asked (V), `pack` the first pack of the site that it does not fit.
    """

    what: Rule | Never
    level: Quantity
    pack: Pack


@guarded
class Rivals:
    """Two rules that can be true together for one pack and want different things of it."""

    first: Rule
    second: Rule
    witness: Witness


class Meeting(Enum):
    """How an action and a `never` of it stand to one another."""

    APART = "proved apart"
    LATER = "may step in while it runs"
    AT_START = "may keep it from starting"
    ALWAYS = "always keeps it from starting"
    UNDECIDED = "not decided"


@guarded
class Interlocked:
    """One action of one rule against one `never` of it; None: against all of them together.

    `by_cells`: it is so only as far as the cells' model holds.
    """

    rule: Rule
    line: int
    never: Never | None
    meeting: Meeting
    witness: Witness | None = None
    by_cells: bool = False

    @property
    def action(self) -> Action:
        """The action's line."""
        return self.rule.actions[self.line]


@guarded
class PingPong:
    """Rules of which each makes the next one fire, and the last one the first.

    `states` are those in which each fires. `tight`: nothing but the charge changes in between.
    """

    rules: tuple[Rule, ...]
    states: tuple[State, ...]
    pack: str
    tight: bool


@guarded
class Gap:
    """Where a full pack of one kind may sit with no rule that drains it.

    `soc` (%) and `until` (ms) are the bounds in words; `partly`: rules that act there, sometimes;
    `told`: rules that tell somebody.
    """

    packs: str
    soc: str
    until: str
    partly: tuple[str, ...] = ()
    told: tuple[str, ...] = ()


@guarded
class Undecided:
    """What could not be found out, about what, and why."""

    what: Rule | Never
    question: str
    why: str
    other: Rule | Never | None = None


Verdict: TypeAlias = (
    NeverTrue
    | OnlyAtFirst
    | AlwaysTrue
    | IdleRearm
    | Misfit
    | Rivals
    | Interlocked
    | PingPong
    | Gap
    | Undecided
)

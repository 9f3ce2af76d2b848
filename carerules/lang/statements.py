"""The syntax tree, second part: actions, statements, and the lines of scenarios.

Knows shapes and places. Does not know whether a pack, a rule or a signal exists.
"""

from __future__ import annotations

from typing import TypeAlias

from carerules.domain.diagnostic import Span
from carerules.lang.node import node
from carerules.lang.syntax import AmountNode, ConditionNode, SelectorNode, WindowNode, Word

# ---- what is done ----------------------------------------------------------------------------


@node
class OptionNode:
    """`at most 60 W`, `by use`, `within D`, `urgent`, `because "..."`: `kind` is its first word."""

    kind: Word
    what: AmountNode | WindowNode | Word | None
    span: Span

    @property
    def rule(self) -> Word | None:
        """The rule of `by RULE`, behind what a scenario expects; it stands where `by use` could."""
        what = self.what
        if self.kind.type == "BY" and isinstance(what, Word) and what.type == "NAME":
            return what
        return None


@node
class ActionNode:
    """One action: its first word, what stands right behind that, and its options."""

    kind: Word
    what: AmountNode | Word | None
    options: tuple[OptionNode, ...]
    span: Span


@node
class EndingNode:
    """`stop when C`, `rearm when C`."""

    kind: Word
    when: ConditionNode
    span: Span


StepNode: TypeAlias = ActionNode | EndingNode

# ---- statements ------------------------------------------------------------------------------


@node
class BindingNode:
    """`NAME = value`, in `let` and after `with`."""

    name: Word
    op: Word
    value: AmountNode
    span: Span


@node
class UseNode:
    """`use "NAME" with NAME = value, ...`."""

    name: Word
    bindings: tuple[BindingNode, ...]
    span: Span


@node
class GroupNode:
    """`group NAME: packs where FILTER`."""

    name: Word
    selector: SelectorNode
    span: Span


@node
class NeverNode:
    """`never charge on SELECTOR when C`."""

    kind: Word
    selector: SelectorNode | None
    when: ConditionNode
    span: Span


@node
class WhenNode:
    """`when C: ACTIONS`."""

    word: Word
    condition: ConditionNode
    steps: tuple[StepNode, ...]
    span: Span


@node
class ClauseNode:
    """`on SELECTOR`, `over RULE, ...`, `because "..."` of a rule's head."""

    kind: Word
    what: SelectorNode | tuple[Word, ...] | Word
    span: Span


@node
class RuleNode:
    """A care rule; without a name it is the bare `when C: ACTIONS`."""

    name: Word | None
    clauses: tuple[ClauseNode, ...]
    when: WhenNode
    span: Span


@node
class MomentNode:
    """`Fri 18:00`, `18:00`."""

    day: Word | None
    clock: Word
    span: Span


# ---- scenarios: what changes -------------------------------------------------------------------


@node
class SetNode:
    """`heron pack.soc = 40 %`, `site.smoke is off`: `value` is a word for on, off and unknown."""

    pack: Word | None
    signal: Word
    sign: Word
    value: AmountNode | Word
    span: Span


@node
class OccursNode:
    """`heron used`."""

    pack: Word
    event: Word
    span: Span


@node
class PlannedNode:
    """`use on Mon 09:00 of heron and egret`, `use in 12 d`."""

    when: MomentNode | AmountNode
    packs: tuple[Word, ...]
    span: Span


@node
class MovedNode:
    """`heron on no station`, `heron on a station`: `where` is `no` or `a`."""

    pack: Word
    where: Word
    span: Span


@node
class PresenceNode:
    """`somebody present`, `nobody present`."""

    who: Word
    span: Span


ChangeNode: TypeAlias = SetNode | OccursNode | PlannedNode | MovedNode | PresenceNode

# ---- scenarios: what is expected ---------------------------------------------------------------


@node
class ExpectNode:
    """`expect heron drain to 80 % by RULE`; `what`: an action, its first word, or `nothing`.

    `by`: the rule, where the action itself does not hold it. `refused`: of an action's word.
    `absent`: `expect heron no drain`.
    """

    pack: Word | None
    what: ActionNode | Word
    by: Word | None
    refused: bool
    absent: bool
    span: Span


# ---- scenarios: lines --------------------------------------------------------------------------


@node
class TraitNode:
    """`is lipo`, `tagged "smart"`, `cells 6`, `at 100 %`, `on no station`, `since Fri 18:00`."""

    kind: Word
    what: Word | AmountNode | MomentNode
    span: Span


@node
class GivenPackNode:
    """`given pack heron ...`."""

    name: Word
    traits: tuple[TraitNode, ...]
    span: Span


@node
class GivenNode:
    """`given CHANGE, ... since MOMENT`."""

    changes: tuple[ChangeNode, ...]
    since: MomentNode | None
    span: Span


@node
class LineNode:
    """`at MOMENT: ...`, `after D: ...`."""

    word: Word
    when: MomentNode | AmountNode
    items: tuple[ChangeNode | ExpectNode, ...]
    span: Span


@node
class ScenarioNode:
    """`scenario "..."` with its lines."""

    word: Word
    name: Word
    scenes: tuple[GivenPackNode | GivenNode | LineNode, ...]
    span: Span


StatementNode: TypeAlias = UseNode | BindingNode | GroupNode | NeverNode | RuleNode | ScenarioNode

"""The syntax tree: shapes and places. Does not know whether a name exists or a unit fits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from carerules.domain.diagnostic import Span


@dataclass(frozen=True, slots=True)
class Word:
    """One word of the text: its terminal in the grammar, its spelling, its place."""

    type: str
    text: str
    span: Span


# ---- values ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class NumberNode:
    """`95`, `95 %`, `1 h 30 min`: numbers, each with its unit; only a lone one may have none."""

    pieces: tuple[tuple[Word, Word | None], ...]
    span: Span


@dataclass(frozen=True, slots=True)
class ReferenceNode:
    """The name of a `let`."""

    name: Word

    @property
    def span(self) -> Span:
        """Where the name stands."""
        return self.name.span


AmountNode: TypeAlias = NumberNode | ReferenceNode


@dataclass(frozen=True, slots=True)
class SignalNode:
    """`pack.soc`."""

    name: Word

    @property
    def span(self) -> Span:
        """Where the name stands."""
        return self.name.span


@dataclass(frozen=True, slots=True)
class TimeSinceNode:
    """`time since EVENT`."""

    event: Word
    span: Span


@dataclass(frozen=True, slots=True)
class TimeUntilUseNode:
    """`time until use`."""

    span: Span


@dataclass(frozen=True, slots=True)
class CountSinceNode:
    """`count EVENT since EVENT`."""

    event: Word
    since: Word
    span: Span


@dataclass(frozen=True, slots=True)
class CountInNode:
    """`count EVENT in last D`."""

    event: Word
    time: AmountNode
    span: Span


ValueNode: TypeAlias = (
    AmountNode | SignalNode | TimeSinceNode | TimeUntilUseNode | CountSinceNode | CountInNode
)

# ---- conditions ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CompareNode:
    """`pack.soc >= 95`."""

    left: ValueNode
    op: Word
    right: ValueNode
    span: Span


@dataclass(frozen=True, slots=True)
class StateNode:
    """`site.smoke is on`."""

    value: ValueNode
    state: Word
    span: Span


@dataclass(frozen=True, slots=True)
class BetweenNode:
    """`pack.soc between 20 and 80`."""

    value: ValueNode
    low: AmountNode
    high: AmountNode
    span: Span


@dataclass(frozen=True, slots=True)
class HoldNode:
    """`C for D`, `C in last D`: `kind` is the word that makes the difference."""

    part: ConditionNode
    kind: Word
    time: AmountNode
    span: Span


@dataclass(frozen=True, slots=True)
class WindowNode:
    """`during 22:00-06:00`, as a condition or an option."""

    since: Word
    until: Word
    span: Span


@dataclass(frozen=True, slots=True)
class DaysNode:
    """`on sat, sun`."""

    days: tuple[Word, ...]
    span: Span


@dataclass(frozen=True, slots=True)
class AllNode:
    """`A and B`."""

    parts: tuple[ConditionNode, ...]
    span: Span


@dataclass(frozen=True, slots=True)
class AnyNode:
    """`A or B`."""

    parts: tuple[ConditionNode, ...]
    span: Span


@dataclass(frozen=True, slots=True)
class NotNode:
    """`not A`."""

    part: ConditionNode
    span: Span


@dataclass(frozen=True, slots=True)
class ParenNode:
    """`(A)`: kept, because parentheses say which reading of `A and B for D` is meant."""

    part: ConditionNode
    span: Span


ConditionNode: TypeAlias = (
    CompareNode | StateNode | BetweenNode | HoldNode | WindowNode | DaysNode
    | AllNode | AnyNode | NotNode | ParenNode
)  # fmt: skip

# ---- which packs -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FilterIsNode:
    """`chemistry is lipo`, `role is boat`, `tagged "smart"`: `what` is the first word."""

    what: Word
    name: Word
    span: Span


@dataclass(frozen=True, slots=True)
class FilterRatedNode:
    """`cells = 4`, `capacity > 2 Ah`."""

    what: Word
    op: Word
    amount: AmountNode
    span: Span


@dataclass(frozen=True, slots=True)
class FilterGroupNode:
    """`A and B`, `A or B`, `not A` of filters: `kind` is all, any or none."""

    kind: str
    parts: tuple[FilterNode, ...]
    span: Span


FilterNode: TypeAlias = FilterIsNode | FilterRatedNode | FilterGroupNode


@dataclass(frozen=True, slots=True)
class OnePackNode:
    """`pack heron`."""

    name: Word
    span: Span


@dataclass(frozen=True, slots=True)
class SomePacksNode:
    """`packs`, `lipo packs`, `packs where FILTER`."""

    name: Word | None
    where: FilterNode | None
    span: Span


SelectorNode: TypeAlias = OnePackNode | SomePacksNode

# ---- what is done ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class OptionNode:
    """`at most 60 W`, `by use`, `within D`, `urgent`, `because "..."`: `kind` is its first word."""

    kind: Word
    what: AmountNode | WindowNode | Word | None
    span: Span


@dataclass(frozen=True, slots=True)
class ActionNode:
    """One action: its first word, what stands right behind that, and its options."""

    kind: Word
    what: AmountNode | Word | None
    options: tuple[OptionNode, ...]
    span: Span


@dataclass(frozen=True, slots=True)
class EndingNode:
    """`stop when C`, `rearm when C`."""

    kind: Word
    when: ConditionNode
    span: Span


StepNode: TypeAlias = ActionNode | EndingNode

# ---- statements ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class BindingNode:
    """`NAME = value`, in `let` and after `with`."""

    name: Word
    op: Word
    value: AmountNode
    span: Span


@dataclass(frozen=True, slots=True)
class UseNode:
    """`use "NAME" with NAME = value, ...`."""

    name: Word
    bindings: tuple[BindingNode, ...]
    span: Span


@dataclass(frozen=True, slots=True)
class GroupNode:
    """`group NAME: packs where FILTER`."""

    name: Word
    selector: SelectorNode
    span: Span


@dataclass(frozen=True, slots=True)
class NeverNode:
    """`never charge on SELECTOR when C`."""

    kind: Word
    selector: SelectorNode | None
    when: ConditionNode
    span: Span


@dataclass(frozen=True, slots=True)
class WhenNode:
    """`when C: ACTIONS`."""

    word: Word
    condition: ConditionNode
    steps: tuple[StepNode, ...]
    span: Span


@dataclass(frozen=True, slots=True)
class ClauseNode:
    """`on SELECTOR`, `over RULE, ...`, `because "..."` of a rule's head."""

    kind: Word
    what: SelectorNode | tuple[Word, ...] | Word
    span: Span


@dataclass(frozen=True, slots=True)
class RuleNode:
    """A care rule; without a name it is the bare `when C: ACTIONS`."""

    name: Word | None
    clauses: tuple[ClauseNode, ...]
    when: WhenNode
    span: Span

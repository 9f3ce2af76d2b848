"""The syntax tree, first part: values, conditions, and which packs.

Knows shapes and places. Does not know whether a name exists or a unit fits. Named tuples, because
there are many kinds of them, and a data class takes seven times as long to make at each start.
"""

from __future__ import annotations

from typing import NamedTuple, TypeAlias

from carerules.domain.diagnostic import Span


class Word(NamedTuple):
    """One word of the text: its terminal in the grammar, its spelling, its place."""

    type: str
    text: str
    span: Span


# ---- values ----------------------------------------------------------------------------------


class NumberNode(NamedTuple):
    """`95`, `95 %`, `1 h 30 min`: numbers, each with its unit; only a lone one may have none."""

    pieces: tuple[tuple[Word, Word | None], ...]
    span: Span


class ReferenceNode(NamedTuple):
    """The name of a `let`."""

    name: Word

    @property
    def span(self) -> Span:
        """Where the name stands."""
        return self.name.span


AmountNode: TypeAlias = NumberNode | ReferenceNode


class SignalNode(NamedTuple):
    """`pack.soc`."""

    name: Word

    @property
    def span(self) -> Span:
        """Where the name stands."""
        return self.name.span


class TimeSinceNode(NamedTuple):
    """`time since EVENT`."""

    event: Word
    span: Span


class TimeUntilUseNode(NamedTuple):
    """`time until use`."""

    span: Span


class CountSinceNode(NamedTuple):
    """`count EVENT since EVENT`."""

    event: Word
    since: Word
    span: Span


class CountInNode(NamedTuple):
    """`count EVENT in last D`."""

    event: Word
    time: AmountNode
    span: Span


class OverWindowNode(NamedTuple):
    """`max of S over D`: `kind` is the first word."""

    kind: Word
    signal: Word
    time: AmountNode
    span: Span


class NumberOfPacksNode(NamedTuple):
    """`number of packs where (C)`."""

    where: ConditionNode
    span: Span


ValueNode: TypeAlias = (
    AmountNode | SignalNode | TimeSinceNode | TimeUntilUseNode | CountSinceNode | CountInNode
    | OverWindowNode | NumberOfPacksNode
)  # fmt: skip

# ---- conditions ------------------------------------------------------------------------------


class CompareNode(NamedTuple):
    """`pack.soc >= 95`."""

    left: ValueNode
    op: Word
    right: ValueNode
    span: Span


class StateNode(NamedTuple):
    """`site.smoke is on`."""

    value: ValueNode
    state: Word
    span: Span


class BetweenNode(NamedTuple):
    """`pack.soc between 20 and 80`."""

    value: ValueNode
    low: AmountNode
    high: AmountNode
    span: Span


class HoldNode(NamedTuple):
    """`C for D`, `C in last D`: `kind` is the word that makes the difference."""

    part: ConditionNode
    kind: Word
    time: AmountNode
    span: Span


class SamplesNode(NamedTuple):
    """`C in at least 3 of last 5 samples`."""

    part: ConditionNode
    least: AmountNode
    of: AmountNode
    span: Span


class CrossesNode(NamedTuple):
    """`S rises above L`, `S falls below L`: `verb` is the first word of the two."""

    value: ValueNode
    verb: Word
    level: AmountNode
    span: Span


class AtNode(NamedTuple):
    """`at 22:00`, as a condition."""

    clock: Word
    span: Span


class WindowNode(NamedTuple):
    """`during 22:00-06:00`, as a condition or an option."""

    since: Word
    until: Word
    span: Span


class DaysNode(NamedTuple):
    """`on sat, sun`."""

    days: tuple[Word, ...]
    span: Span


class AllNode(NamedTuple):
    """`A and B`."""

    parts: tuple[ConditionNode, ...]
    span: Span


class AnyNode(NamedTuple):
    """`A or B`."""

    parts: tuple[ConditionNode, ...]
    span: Span


class NotNode(NamedTuple):
    """`not A`."""

    part: ConditionNode
    span: Span


class ParenNode(NamedTuple):
    """`(A)`: kept, because parentheses say which reading of `A and B for D` is meant."""

    part: ConditionNode
    span: Span


ConditionNode: TypeAlias = (
    CompareNode | StateNode | BetweenNode | HoldNode | SamplesNode | CrossesNode | AtNode
    | WindowNode | DaysNode | AllNode | AnyNode | NotNode | ParenNode
)  # fmt: skip

# ---- which packs -----------------------------------------------------------------------------


class FilterIsNode(NamedTuple):
    """`chemistry is lipo`, `role is boat`, `tagged "smart"`: `what` is the first word."""

    what: Word
    name: Word
    span: Span


class FilterRatedNode(NamedTuple):
    """`cells = 4`, `capacity > 2 Ah`."""

    what: Word
    op: Word
    amount: AmountNode
    span: Span


class FilterGroupNode(NamedTuple):
    """`A and B`, `A or B`, `not A` of filters: `kind` is all, any or none."""

    kind: str
    parts: tuple[FilterNode, ...]
    span: Span


FilterNode: TypeAlias = FilterIsNode | FilterRatedNode | FilterGroupNode


class OnePackNode(NamedTuple):
    """`pack heron`."""

    name: Word
    span: Span


class SomePacksNode(NamedTuple):
    """`packs`, `lipo packs`, `packs where FILTER`."""

    name: Word | None
    where: FilterNode | None
    span: Span


SelectorNode: TypeAlias = OnePackNode | SomePacksNode

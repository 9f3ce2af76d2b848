"""The syntax tree, first part: values, conditions, and which packs.

Knows shapes and places. Does not know whether a name exists or a unit fits.
"""

from __future__ import annotations

from typing import NamedTuple, TypeAlias

from carerules.domain.diagnostic import Span
from carerules.lang.node import node


class Word(NamedTuple):
    """One word of the text: its terminal in the grammar, its spelling, its place."""

    type: str
    text: str
    span: Span


# ---- values ----------------------------------------------------------------------------------


@node
class NumberNode:
    """`95`, `95 %`, `1 h 30 min`: numbers, each with its unit; only a lone one may have none."""

    pieces: tuple[tuple[Word, Word | None], ...]
    span: Span


@node
class ReferenceNode:
    """The name of a `let`."""

    name: Word

    @property
    def span(self) -> Span:
        """Where the name stands."""
        return self.name.span


AmountNode: TypeAlias = NumberNode | ReferenceNode


@node
class SignalNode:
    """`pack.soc`."""

    name: Word

    @property
    def span(self) -> Span:
        """Where the name stands."""
        return self.name.span


@node
class TimeSinceNode:
    """`time since EVENT`."""

    event: Word
    span: Span


@node
class TimeUntilUseNode:
    """`time until use`."""

    span: Span


@node
class CountSinceNode:
    """`count EVENT since EVENT`."""

    event: Word
    since: Word
    span: Span


@node
class CountInNode:
    """`count EVENT in last D`."""

    event: Word
    time: AmountNode
    span: Span


@node
class OverWindowNode:
    """`max of S over D`: `kind` is the first word."""

    kind: Word
    signal: Word
    time: AmountNode
    span: Span


@node
class NumberOfPacksNode:
    """`number of packs where (C)`."""

    where: ConditionNode
    span: Span


ValueNode: TypeAlias = (
    AmountNode | SignalNode | TimeSinceNode | TimeUntilUseNode | CountSinceNode | CountInNode
    | OverWindowNode | NumberOfPacksNode
)  # fmt: skip

# ---- conditions ------------------------------------------------------------------------------


@node
class CompareNode:
    """`pack.soc >= 95`."""

    left: ValueNode
    op: Word
    right: ValueNode
    span: Span


@node
class StateNode:
    """`site.smoke is on`."""

    value: ValueNode
    state: Word
    span: Span


@node
class BetweenNode:
    """`pack.soc between 20 and 80`."""

    value: ValueNode
    low: AmountNode
    high: AmountNode
    span: Span


@node
class HoldNode:
    """`C for D`, `C in last D`: `kind` is the word that makes the difference."""

    part: ConditionNode
    kind: Word
    time: AmountNode
    span: Span


@node
class SamplesNode:
    """`C in at least 3 of last 5 samples`."""

    part: ConditionNode
    least: AmountNode
    of: AmountNode
    span: Span


@node
class CrossesNode:
    """`S rises above L`, `S falls below L`: `verb` is the first word of the two."""

    value: ValueNode
    verb: Word
    level: AmountNode
    span: Span


@node
class AtNode:
    """`at 22:00`, as a condition."""

    clock: Word
    span: Span


@node
class WindowNode:
    """`during 22:00-06:00`, as a condition or an option."""

    since: Word
    until: Word
    span: Span


@node
class DaysNode:
    """`on sat, sun`."""

    days: tuple[Word, ...]
    span: Span


@node
class AllNode:
    """`A and B`."""

    parts: tuple[ConditionNode, ...]
    span: Span


@node
class AnyNode:
    """`A or B`."""

    parts: tuple[ConditionNode, ...]
    span: Span


@node
class NotNode:
    """`not A`."""

    part: ConditionNode
    span: Span


@node
class ParenNode:
    """`(A)`: kept, because parentheses say which reading of `A and B for D` is meant."""

    part: ConditionNode
    span: Span


ConditionNode: TypeAlias = (
    CompareNode | StateNode | BetweenNode | HoldNode | SamplesNode | CrossesNode | AtNode
    | WindowNode | DaysNode | AllNode | AnyNode | NotNode | ParenNode
)  # fmt: skip

# ---- which packs -----------------------------------------------------------------------------


@node
class FilterIsNode:
    """`chemistry is lipo`, `role is boat`, `tagged "smart"`: `what` is the first word."""

    what: Word
    name: Word
    span: Span


@node
class FilterRatedNode:
    """`cells = 4`, `capacity > 2 Ah`."""

    what: Word
    op: Word
    amount: AmountNode
    span: Span


@node
class FilterGroupNode:
    """`A and B`, `A or B`, `not A` of filters: `kind` is all, any or none."""

    kind: str
    parts: tuple[FilterNode, ...]
    span: Span


FilterNode: TypeAlias = FilterIsNode | FilterRatedNode | FilterGroupNode


@node
class OnePackNode:
    """`pack heron`."""

    name: Word
    span: Span


@node
class SomePacksNode:
    """`packs`, `lipo packs`, `packs where FILTER`."""

    name: Word | None
    where: FilterNode | None
    span: Span


SelectorNode: TypeAlias = OnePackNode | SomePacksNode

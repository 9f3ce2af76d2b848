"""The syntax tree, second part: scenarios, and with them all kinds of statement.

Knows shapes and places. Does not know whether a pack, a rule or a signal exists.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from carerules.domain.diagnostic import Span
from carerules.lang.syntax import (
    ActionNode,
    AmountNode,
    BindingNode,
    GroupNode,
    NeverNode,
    RuleNode,
    UseNode,
    Word,
)


@dataclass(frozen=True, slots=True)
class MomentNode:
    """`Fri 18:00`, `18:00`."""

    day: Word | None
    clock: Word
    span: Span


# ---- what changes ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SetNode:
    """`heron pack.soc = 40 %`, `site.smoke is off`: `value` is a word for on, off and unknown."""

    pack: Word | None
    signal: Word
    sign: Word
    value: AmountNode | Word
    span: Span


@dataclass(frozen=True, slots=True)
class OccursNode:
    """`heron used`."""

    pack: Word
    event: Word
    span: Span


@dataclass(frozen=True, slots=True)
class PlannedNode:
    """`use on Mon 09:00 of heron and egret`."""

    moment: MomentNode
    packs: tuple[Word, ...]
    span: Span


@dataclass(frozen=True, slots=True)
class MovedNode:
    """`heron on no station`, `heron on a station`: `where` is `no` or `a`."""

    pack: Word
    where: Word
    span: Span


@dataclass(frozen=True, slots=True)
class PresenceNode:
    """`somebody present`, `nobody present`."""

    who: Word
    span: Span


ChangeNode: TypeAlias = SetNode | OccursNode | PlannedNode | MovedNode | PresenceNode

# ---- what is expected --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ExpectNode:
    """`expect heron drain to 80 % by RULE`; `what`: an action, its first word, or `nothing`.

    `by`: the rule, where the action itself does not hold it. `refused`: of an action's word.
    """

    pack: Word | None
    what: ActionNode | Word
    by: Word | None
    refused: bool
    span: Span


# ---- lines -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TraitNode:
    """`is lipo`, `tagged "smart"`, `cells 6`, `at 100 %`, `on no station`, `since Fri 18:00`."""

    kind: Word
    what: Word | AmountNode | MomentNode
    span: Span


@dataclass(frozen=True, slots=True)
class GivenPackNode:
    """`given pack heron ...`."""

    name: Word
    traits: tuple[TraitNode, ...]
    span: Span


@dataclass(frozen=True, slots=True)
class GivenNode:
    """`given CHANGE, ... since MOMENT`."""

    changes: tuple[ChangeNode, ...]
    since: MomentNode | None
    span: Span


@dataclass(frozen=True, slots=True)
class LineNode:
    """`at MOMENT: ...`, `after D: ...`."""

    word: Word
    when: MomentNode | AmountNode
    items: tuple[ChangeNode | ExpectNode, ...]
    span: Span


@dataclass(frozen=True, slots=True)
class ScenarioNode:
    """`scenario "..."` with its lines."""

    word: Word
    name: Word
    scenes: tuple[GivenPackNode | GivenNode | LineNode, ...]
    span: Span


StatementNode: TypeAlias = UseNode | BindingNode | GroupNode | NeverNode | RuleNode | ScenarioNode

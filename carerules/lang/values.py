"""From the tree of a value to what it stands for: signals, times, counts, windows, numbers.

Knows values. Does not know what they are compared with.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias, assert_never, cast

from carerules.domain import condition as asked
from carerules.domain.condition import Condition, ValueOf
from carerules.domain.diagnostic import Mend
from carerules.domain.quantity import DURATION, SWITCH
from carerules.lang import syntax as s
from carerules.lang.scope import Scope, written

ReadCondition: TypeAlias = Callable[[s.ConditionNode, Scope], Condition | None]


def value(node: s.ValueNode, scope: Scope, read: ReadCondition) -> ValueOf | None:
    """What a value stands for; None: told to the findings. `read`: for a condition inside it."""
    match node:
        case s.SignalNode(name):
            row = scope.catalogue.get(name.text)
            if row is None:
                scope.unknown_signal(name)
                return None
            return asked.SignalValue(row.name, row.dimension)
        case s.NumberNode() | s.ReferenceNode():
            return scope.free_amount(node)
        case s.TimeSinceNode(event_word, _):
            event = scope.event(event_word)
            return None if event is None else asked.TimeSince(event)
        case s.TimeUntilUseNode():
            return asked.TimeUntilUse()
        case s.CountSinceNode(event_word, since_word, _):
            event, since = scope.event(event_word), scope.event(since_word)
            return None if event is None or since is None else asked.CountSince(event, since)
        case s.CountInNode(event_word, time_node, _):
            event, time = scope.event(event_word), scope.duration(time_node, "`in last`")
            return None if event is None or time is None else asked.CountIn(event, time)
        case s.OverWindowNode():
            return _over_window(node, scope)
        case s.NumberOfPacksNode():
            return _number_of_packs(node, scope, read)
        case _:
            assert_never(node)


def _over_window(node: s.OverWindowNode, scope: Scope) -> asked.OverWindow | None:
    time = scope.duration(node.time, "`over`")
    row = scope.catalogue.get(node.signal.text)
    if row is None:
        scope.unknown_signal(node.signal)
        return None
    kind = cast(asked.WindowKind, node.kind.text)
    if row.dimension == SWITCH:
        scope.findings.add(
            "not-a-switch", f"`{row.name}` is either on or off, and has no {kind}", node.span,
            Mend(f"write `{row.name} is on in last {written(node.time)}`"),
        )  # fmt: skip
        return None
    if kind == "slope" and row.dimension == DURATION:
        scope.findings.add(
            "misplaced", f"`{row.name}` is a time, and its slope says nothing", node.span,
            Mend("compare the time itself"),
        )  # fmt: skip
        return None
    if time is None:
        return None
    return asked.OverWindow(kind, asked.SignalValue(row.name, row.dimension), time)


def _number_of_packs(
    node: s.NumberOfPacksNode, scope: Scope, read: ReadCondition
) -> asked.NumberOfPacks | None:
    if scope.counting:
        scope.findings.add(
            "misplaced", "`number of packs` stands inside another one", node.span,
            Mend("count by one condition at a time"),
        )  # fmt: skip
        return None
    scope.counting = True
    where = read(node.where, scope)
    scope.counting = False
    return None if where is None else asked.NumberOfPacks(where)

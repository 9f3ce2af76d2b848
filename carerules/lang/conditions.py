"""From the tree of a condition to its meaning: names, units, ranges, readings.

Knows conditions and values. Does not know rules or actions.
"""

from __future__ import annotations

from typing import assert_never, cast

from carerules.domain import plan
from carerules.domain.diagnostic import Mend, Span
from carerules.domain.plan import Condition, Op, ValueOf, dimension_of, value_wording
from carerules.domain.quantity import COUNT, DURATION, SWITCH, Dimension, Quantity
from carerules.domain.quantity import show as show_number
from carerules.lang import syntax as s
from carerules.lang.build import joined
from carerules.lang.clock import day_window, on_days
from carerules.lang.interval import Interval, bounds, natural
from carerules.lang.scope import Scope, written


def condition(node: s.ConditionNode, scope: Scope) -> Condition | None:
    """The meaning; None: told to the findings. Every part is looked at, whatever the others say."""
    match node:
        case s.CompareNode():
            return _compare(node, scope)
        case s.StateNode():
            return _state(node, scope)
        case s.BetweenNode():
            return _between(node, scope)
        case s.HoldNode(part, kind, time, _):
            inner = condition(part, scope)
            length = scope.duration(time, f"`{'for' if kind.type == 'FOR' else 'in last'}`")
            if inner is None or length is None:
                return None
            return plan.For(inner, length) if kind.type == "FOR" else plan.InLast(inner, length)
        case s.WindowNode():
            window = day_window(node, scope)
            return None if window is None else plan.During(window)
        case s.DaysNode():
            return on_days(node, scope)
        case s.AllNode():
            return _all(node, scope)
        case s.AnyNode(parts, _):
            met = [condition(part, scope) for part in parts]
            return plan.Or(_flat(met, plan.Or)) if None not in met else None
        case s.NotNode(part, _):
            inner = condition(part, scope)
            if isinstance(inner, plan.Not):
                return inner.part
            return None if inner is None else plan.Not(inner)
        case s.ParenNode(part, _):
            return condition(part, scope)
        case _:
            assert_never(node)


def _flat(
    parts: list[Condition | None], kind: type[plan.And] | type[plan.Or]
) -> tuple[Condition, ...]:
    """Parentheses around parts of the same kind change nothing."""
    flat: list[Condition] = []
    for part in parts:
        if isinstance(part, kind):
            flat += part.parts
        elif part is not None:
            flat.append(part)
    return tuple(flat)


# ---- and, and its two readings -----------------------------------------------------------------


def _all(node: s.AllNode, scope: Scope) -> Condition | None:
    for left, right in zip(node.parts, node.parts[1:], strict=False):
        if isinstance(right, s.HoldNode) and not isinstance(left, (s.HoldNode, s.ParenNode)):
            _two_readings(left, right, scope)
    met = [condition(part, scope) for part in node.parts]
    if None in met:
        return None
    together = plan.And(_flat(met, plan.And))
    _contradiction(node, met, scope)
    return together


def _two_readings(left: s.ConditionNode, right: s.HoldNode, scope: Scope) -> None:
    """`A and B for D`: the grammar reads `A and (B for D)`; half of the readers do not."""
    word = "for" if right.kind.type == "FOR" else "in last"
    tail = f"{word} {written(right.time)}"
    scope.findings.add(
        "two-readings", f"`A and B {tail}` can be read in two ways",
        joined(left.span, right.span),
        Mend(f"write `(A and B) {tail}` if both are meant, `A and (B {tail})` if only the last"),
    )  # fmt: skip


def _contradiction(node: s.AllNode, met: list[Condition | None], scope: Scope) -> None:
    seen: dict[ValueOf, tuple[Interval, Span, Condition]] = {}
    for part_node, part in zip(node.parts, met, strict=True):
        if part is None:
            continue
        for value, interval in bounds(part).items():
            if value not in seen:
                seen[value] = (interval, part_node.span, part)
                continue
            before, span, first = seen[value]
            if before.meet(interval).empty:
                scope.findings.add(
                    "never-true",
                    f"`{_short(first)}` and `{_short(part)}` are never true together",
                    joined(span, part_node.span), Mend("write `or` if either is meant"),
                )  # fmt: skip
                return
            seen[value] = (before.meet(interval), span, first)


def _short(part: Condition) -> str:
    text = plan.wording(part)
    return text if len(text) <= 60 else text[:57] + "..."


# ---- comparisons -------------------------------------------------------------------------------

_TURNED: dict[Op, Op] = {"<": ">", "<=": ">=", ">": "<", ">=": "<=", "=": "=", "!=": "!="}


def _compare(node: s.CompareNode, scope: Scope) -> Condition | None:
    op = cast(Op, node.op.text)
    left, right = node.left, node.right
    left_fixed = isinstance(left, (s.NumberNode, s.ReferenceNode))
    if left_fixed and isinstance(right, (s.NumberNode, s.ReferenceNode)):
        if not _unknown_reference(left, scope) and not _unknown_reference(right, scope):
            scope.findings.add(
                "two-fixed-values", "this compares two fixed values, which never changes",
                node.span, Mend("compare a signal, such as `pack.soc`"),
            )  # fmt: skip
        return None
    if left_fixed:  # `95 < pack.soc` means `pack.soc > 95`, and is kept as that
        left, right, op = right, left, _TURNED[op]
    subject = value(left, scope)
    if isinstance(right, (s.NumberNode, s.ReferenceNode)):
        return _against_fixed(subject, op, right, node.span, scope)
    other = value(right, scope)
    if subject is None or other is None:
        return None
    mine, theirs = dimension_of(subject), dimension_of(other)
    if mine != theirs:
        scope.findings.add(
            "unit-mismatch",
            f"`{value_wording(subject)}` is measured in {_unit(mine)}, and"
            f" `{value_wording(other)}` in {_unit(theirs)}",
            node.span, Mend("compare values of one unit"),
        )  # fmt: skip
        return None
    if subject == other:
        scope.findings.add(
            "two-fixed-values", f"this compares `{value_wording(subject)}` with itself", node.span,
            Mend("compare it with something else"),
        )  # fmt: skip
        return None
    return plan.Compare(subject, op, other)


def _unknown_reference(node: s.ValueNode, scope: Scope) -> bool:
    if isinstance(node, s.ReferenceNode) and node.name.text not in scope.lets:
        scope.unknown_name(node.name)
        return True
    return False


def _unit(dimension: Dimension) -> str:
    return {DURATION: "time", COUNT: "counts"}.get(dimension, dimension.unit)


def _against_fixed(
    subject: ValueOf | None, op: Op, node: s.AmountNode, span: Span, scope: Scope
) -> Condition | None:
    if subject is None:
        scope.free_amount(node)  # for the slips in it, and so that its `let` counts as used
        return None
    dimension, said = dimension_of(subject), f"`{value_wording(subject)}`"
    if dimension == SWITCH:
        scope.findings.add(
            "not-a-switch", f"{said} is either on or off, and is not compared", span,
            Mend(f"write {said[:-1]} is on` or {said[:-1]} is off`"),
        )  # fmt: skip
        return None
    limit = scope.amount(node, dimension, said)
    if limit is None or not _within(subject, limit, node, scope):
        return None
    found = plan.Compare(subject, op, limit)
    whole = natural(subject, scope.catalogue)
    if any(whole.meet(interval).empty for interval in bounds(found).values()):
        scope.findings.add(
            "never-true", f"{said} is never {_PHRASE[op]} {limit.show()}", span,
            Mend("look at the direction of the comparison"),
        )  # fmt: skip
        return None
    return found


_PHRASE: dict[Op, str] = {"<": "below", "<=": "at most", ">": "above", ">=": "at least",
                          "=": "at", "!=": "other than"}  # fmt: skip


def in_range(signal: str, value: Quantity, node: s.AmountNode, scope: Scope) -> bool:
    """Whether a signal can have the value at all; if not, it is told to the findings."""
    return _within(plan.SignalValue(signal, value.dimension), value, node, scope)


def _within(subject: ValueOf, limit: Quantity, node: s.AmountNode, scope: Scope) -> bool:
    whole = natural(subject, scope.catalogue)
    if whole.low <= limit.value <= whole.high:
        return True
    said, unit = f"`{value_wording(subject)}`", limit.dimension
    ends = f"lies between {show_number(whole.low, unit)} and {show_number(whole.high, unit)}"
    if unit in (DURATION, COUNT):
        ends = "is never below 0"
    scope.findings.add(
        "out-of-range", f"{said} {ends}", node.span,
        Mend(f"`{written(node)}` is outside; write a value inside"),
    )  # fmt: skip
    return False


def _state(node: s.StateNode, scope: Scope) -> Condition | None:
    subject = value(node.value, scope)
    if subject is None:
        return None
    if dimension_of(subject) != SWITCH:
        scope.findings.add(
            "not-a-switch", f"`{value_wording(subject)}` is a number, and is neither on nor off",
            node.span, Mend("compare it, such as with `>`"),
        )  # fmt: skip
        return None
    return plan.Compare(subject, "=", Quantity(float(node.state.type == "ON"), SWITCH))


def _between(node: s.BetweenNode, scope: Scope) -> Condition | None:
    subject = value(node.value, scope)
    if subject is None or isinstance(subject, Quantity):
        if subject is not None:
            scope.findings.add(
                "two-fixed-values", "this compares fixed values, which never changes",
                node.span, Mend("compare a signal, such as `pack.soc`"),
            )  # fmt: skip
        return None
    said = f"`{value_wording(subject)}`"
    ends = [scope.amount(end, dimension_of(subject), said) for end in (node.low, node.high)]
    low, high = ends
    if low is None or high is None:
        return None
    inside = [_within(subject, end, at, scope)
              for end, at in ((low, node.low), (high, node.high))]  # fmt: skip
    if low.value > high.value:
        scope.findings.add(
            "upside-down", f"nothing lies between {low.show()} and {high.show()}",
            joined(node.low.span, node.high.span),
            Mend("write the lower one first"),
        )  # fmt: skip
        return None
    return plan.Between(subject, low, high) if all(inside) else None


# ---- values ------------------------------------------------------------------------------------


def value(node: s.ValueNode, scope: Scope) -> ValueOf | None:
    """What a value stands for; None: told to the findings."""
    match node:
        case s.SignalNode(name):
            row = scope.catalogue.get(name.text)
            if row is None:
                scope.unknown_signal(name)
                return None
            return plan.SignalValue(row.name, row.dimension)
        case s.NumberNode() | s.ReferenceNode():
            return scope.free_amount(node)
        case s.TimeSinceNode(event_word, _):
            event = scope.event(event_word)
            return None if event is None else plan.TimeSince(event)
        case s.TimeUntilUseNode():
            return plan.TimeUntilUse()
        case s.CountSinceNode(event_word, since_word, _):
            event, since = scope.event(event_word), scope.event(since_word)
            return None if event is None or since is None else plan.CountSince(event, since)
        case s.CountInNode(event_word, time_node, _):
            event, time = scope.event(event_word), scope.duration(time_node, "`in last`")
            return None if event is None or time is None else plan.CountIn(event, time)
        case _:
            assert_never(node)

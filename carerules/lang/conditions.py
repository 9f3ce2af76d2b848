"""From the tree of a condition to its meaning: names, units, ranges, readings.

Knows conditions. Does not know rules or actions.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import assert_never, cast

from carerules.domain import condition as asked
from carerules.domain.action import one_minute
from carerules.domain.condition import Condition, Op, ValueOf, dimension_of
from carerules.domain.diagnostic import Mend, Span
from carerules.domain.quantity import COUNT, DURATION, SWITCH, Dimension, Quantity
from carerules.domain.quantity import show as show_number
from carerules.domain.wording import value_wording, wording
from carerules.lang import syntax as s
from carerules.lang.build import joined
from carerules.lang.clock import day_window, minute_of_day, on_days
from carerules.lang.interval import bounds, natural
from carerules.lang.limits import SAMPLES_MAX
from carerules.lang.scope import Scope, written
from carerules.lang.together import contradiction, two_readings
from carerules.lang.values import value


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
            return asked.For(inner, length) if kind.type == "FOR" else asked.InLast(inner, length)
        case s.SamplesNode():
            return _in_samples(node, scope)
        case s.CrossesNode():
            return _crosses(node, scope)
        case s.AtNode(word, _):
            minute = minute_of_day(word, scope)
            return None if minute is None else asked.During(one_minute(minute))
        case s.WindowNode():
            window = day_window(node, scope)
            return None if window is None else asked.During(window)
        case s.DaysNode():
            return on_days(node, scope)
        case s.AllNode():
            return _all(node, scope)
        case s.AnyNode(parts, _):
            met = [condition(part, scope) for part in parts]
            return asked.Or(_flat(met, asked.Or)) if None not in met else None
        case s.NotNode(part, _):
            inner = condition(part, scope)
            if isinstance(inner, asked.Not):
                return inner.part
            return None if inner is None else asked.Not(inner)
        case s.ParenNode(part, _):
            return condition(part, scope)
        case _:
            assert_never(node)


def _value(node: s.ValueNode, scope: Scope) -> ValueOf | None:
    return value(node, scope, condition)


def _flat(
    parts: list[Condition | None], kind: type[asked.And] | type[asked.Or]
) -> tuple[Condition, ...]:
    """Parentheses around parts of the same kind change nothing."""
    flat: list[Condition] = []
    for part in parts:
        if isinstance(part, kind):
            flat += part.parts
        elif part is not None:
            flat.append(part)
    return tuple(flat)


def _all(node: s.AllNode, scope: Scope) -> Condition | None:
    two_readings(node, scope.findings)
    met = [condition(part, scope) for part in node.parts]
    if None in met:
        return None
    together = asked.And(_flat(met, asked.And))
    contradiction(node, met, scope.findings)
    return together


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
    subject = _value(left, scope)
    if isinstance(right, (s.NumberNode, s.ReferenceNode)):
        return _against_fixed(subject, op, right, node.span, scope)
    other = _value(right, scope)
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
    return asked.Compare(subject, op, other)


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
    return _limited(subject, lambda limit: asked.Compare(subject, op, limit), op, node, span, scope)


def _limited(
    subject: ValueOf, made: Callable[[Quantity], Condition], op: Op, node: s.AmountNode,
    span: Span, scope: Scope,
) -> Condition | None:  # fmt: skip
    """What is made of the value and a fixed limit, if it can ever be true."""
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
    found = made(limit)
    whole = natural(subject, scope.catalogue)
    if any(whole.meet(interval).empty for interval in bounds(found).values()):
        scope.findings.add(
            "never-true", f"{said} is never {_PHRASE[op]} {limit.show()}", span,
            Mend("look at the direction of the comparison"),
        )  # fmt: skip
        return None
    if op in ("=", "!=") and dimension != COUNT and limit.value:
        ever = "hardly ever exactly" if op == "=" else "nearly always other than"
        scope.findings.add(
            "hardly-equal", f"{said} is {ever} {limit.show()}", span,
            Mend("write `>=` or `<=`, or `between` two values"),
        )  # fmt: skip
    return found


_PHRASE: dict[Op, str] = {"<": "below", "<=": "at most", ">": "above", ">=": "at least",
                          "=": "at", "!=": "other than"}  # fmt: skip


def in_range(signal: str, value: Quantity, node: s.AmountNode, scope: Scope) -> bool:
    """Whether a signal can have the value at all; if not, it is told to the findings."""
    return _within(asked.SignalValue(signal, value.dimension), value, node, scope)


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
    subject = _value(node.value, scope)
    if subject is None:
        return None
    if dimension_of(subject) != SWITCH:
        scope.findings.add(
            "not-a-switch", f"`{value_wording(subject)}` is a number, and is neither on nor off",
            node.span, Mend("compare it, such as with `>`"),
        )  # fmt: skip
        return None
    return asked.Compare(subject, "=", Quantity(float(node.state.type == "ON"), SWITCH))


def _between(node: s.BetweenNode, scope: Scope) -> Condition | None:
    subject = _value(node.value, scope)
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
            Mend("write the lower one first", f"{written(node.high)} and {written(node.low)}"),
        )  # fmt: skip
        return None
    return asked.Between(subject, low, high) if all(inside) else None


# ---- crossings and samples ---------------------------------------------------------------------


def _crosses(node: s.CrossesNode, scope: Scope) -> Condition | None:
    subject = _value(node.value, scope)
    if subject is None or isinstance(subject, Quantity):
        if subject is None:
            scope.free_amount(node.level)
        else:
            scope.findings.add(
                "two-fixed-values", "a fixed value crosses nothing", node.span,
                Mend("name a signal, such as `pack.soc`"),
            )  # fmt: skip
        return None
    up = node.verb.type == "RISES"
    return _limited(subject, lambda limit: asked.Crosses(subject, limit, up),
                    ">" if up else "<", node.level, node.span, scope)  # fmt: skip


def _in_samples(node: s.SamplesNode, scope: Scope) -> Condition | None:
    inner = condition(node.part, scope)
    least = _whole(node.least, "`at least`", scope)
    of = _whole(node.of, "`of last`", scope)
    if inner is None or least is None or of is None:
        return None
    if least > of:
        scope.findings.add(
            "never-true", f"there are never {least} among the last {of}",
            joined(node.least.span, node.of.span), Mend("write the smaller number first"),
        )  # fmt: skip
        return None
    if not any(isinstance(one, (asked.SignalValue, asked.OverWindow))
               for part in asked.walk(inner) for one in asked.values(part)):  # fmt: skip
        scope.findings.add(
            "no-samples", f"`{wording(inner)}` asks no signal, and has no samples",
            node.part.span, Mend("write `for` or `in last` with a time"),
        )  # fmt: skip
        return None
    return asked.InSamples(inner, least, of)


def _whole(node: s.AmountNode, of: str, scope: Scope) -> int | None:
    got = scope.amount(node, COUNT, of)
    if got is None:
        return None
    if 1 <= got.value <= SAMPLES_MAX and got.value % 1 == 0:
        return int(got.value)
    scope.findings.add(
        "out-of-range", f"{of} counts whole samples from 1 to {SAMPLES_MAX}", node.span,
        Mend("write it as `3`"),
    )  # fmt: skip
    return None

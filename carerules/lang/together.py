"""What can be wrong with the parts of an `and`, each of them right by itself.

Knows parts side by side. Does not know how one is read.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

from carerules.domain.condition import Condition, ValueOf
from carerules.domain.diagnostic import Mend, Span
from carerules.domain.wording import wording
from carerules.lang import syntax as s
from carerules.lang.build import joined
from carerules.lang.findings import Findings
from carerules.lang.interval import Interval, bounds
from carerules.lang.scope import written


def two_readings(node: s.AllNode, findings: Findings) -> None:
    """`A and B for D`: the grammar reads `A and (B for D)`; half of the readers do not."""
    for left, right in pairwise(node.parts):
        if not isinstance(right, (s.HoldNode, s.SamplesNode)):
            continue
        if isinstance(left, (s.HoldNode, s.SamplesNode, s.ParenNode)):
            continue
        tail = _tail(right)
        findings.add(
            "two-readings", f"`A and B {tail}` can be read in two ways",
            joined(left.span, right.span),
            Mend(f"write `(A and B) {tail}` if both are meant, `A and (B {tail})` if only the"
                 " last"),
        )  # fmt: skip


def _tail(node: s.HoldNode | s.SamplesNode) -> str:
    if isinstance(node, s.SamplesNode):
        return f"in at least {written(node.least)} of last {written(node.of)} samples"
    return f"{'for' if node.kind.type == 'FOR' else 'in last'} {written(node.time)}"


def contradiction(node: s.AllNode, met: Iterable[Condition | None], findings: Findings) -> None:
    """Two parts that are never true together; the first such pair is told."""
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
                findings.add(
                    "never-true",
                    f"`{_short(first)}` and `{_short(part)}` are never true together",
                    joined(span, part_node.span), Mend("write `or` if either is meant"),
                )  # fmt: skip
                return
            seen[value] = (before.meet(interval), span, first)


def _short(part: Condition) -> str:
    text = wording(part)
    return text if len(text) <= 60 else text[:57] + "..."

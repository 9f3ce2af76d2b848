"""What is wrong with rules that are each well-formed: with themselves, or with one another.

Knows rules, by value. Does not know the text beyond the place of a word.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import inf

from carerules.domain.action import Charge, Drain
from carerules.domain.condition import SignalValue
from carerules.domain.diagnostic import Mend, Span
from carerules.domain.plan import Rule
from carerules.domain.quantity import CHARGE_LEVEL, show
from carerules.lang import statements as st
from carerules.lang import syntax as s
from carerules.lang.findings import Findings, try_name
from carerules.lang.interval import Interval, bounds

_SOC = SignalValue("pack.soc", CHARGE_LEVEL)


def check_rule(rule: Rule, node: st.RuleNode, findings: Findings) -> None:
    """Whether the first thing that the rule does to the charge can move it at all."""
    level = bounds(rule.when).get(_SOC)
    if level is None:
        return
    steps = [step for step in node.when.steps if isinstance(step, st.ActionNode)]
    for action, step in zip(rule.actions, steps, strict=False):
        if isinstance(action, (Drain, Charge)):
            _check_aim(action, level, step.span, findings)
            return  # what comes after it starts from another level


def _check_aim(action: Drain | Charge, level: Interval, span: Span, findings: Findings) -> None:
    target = show(action.target, CHARGE_LEVEL)
    if isinstance(action, Drain):
        if level.low > -inf and action.target > level.low:
            fires = f"from {show(level.low, CHARGE_LEVEL)} on"
        elif level.high < inf and action.target >= level.high:
            fires = f"up to {show(level.high, CHARGE_LEVEL)}"
        else:
            return
        message = f"the rule fires {fires}, and drains only what is above {target}"
    else:
        if level.high < inf and action.target < level.high:
            fires = f"up to {show(level.high, CHARGE_LEVEL)}"
        elif level.low > -inf and action.target <= level.low:
            fires = f"from {show(level.low, CHARGE_LEVEL)} on"
        else:
            return
        message = f"the rule fires {fires}, and charges only what is below {target}"
    findings.add(
        "nothing-to-move", message, span, Mend("change the target, or the level at which it fires")
    )


def check_names(
    named: Iterable[tuple[str, Span]], lost: frozenset[str], findings: Findings
) -> frozenset[str]:
    """Every rule has a name of its own, over all files. `lost`: rules whose slip is told."""
    first: dict[str, Span] = {}
    for name, span in named:
        if name in first:
            findings.add(
                "duplicate-name", f"there is another rule `{name}`", span,
                Mend("find another name"), (f"the first `{name}` stands here", first[name]),
            )  # fmt: skip
        first.setdefault(name, span)
    return frozenset(first) | lost


def check_over(
    over: Mapping[str, tuple[s.Word, ...]], known: frozenset[str], findings: Findings
) -> None:
    """`over` names rules that there are, never in a circle."""
    gives_way: dict[str, list[s.Word]] = {}
    for name, words in over.items():
        if findings.full:
            return
        for word in words:
            if word.text == name:
                findings.add(
                    "circle", f"rule `{name}` is over itself", word.span, Mend("leave it out")
                )
            elif word.text not in known:
                findings.add(
                    "unknown-rule", f"unknown rule `{word.text}`", word.span,
                    try_name(word.text, known - {name}) or Mend("leave it out"),
                )  # fmt: skip
            else:
                gives_way.setdefault(name, []).append(word)
    _circles(gives_way, findings)


def _circles(gives_way: Mapping[str, list[s.Word]], findings: Findings) -> None:
    """Depth first, without recursion: each rule and each `over` is looked at once."""
    done: set[str] = set()
    for start in gives_way:
        path: list[str] = []
        stack: list[tuple[str, int]] = [(start, 0)]
        while stack:
            name, at = stack.pop()
            if at == 0:
                if name in done:
                    continue
                path.append(name)
            below = gives_way.get(name, [])
            if at == len(below):
                done.add(name)
                path.pop()
                continue
            stack.append((name, at + 1))
            word = below[at]
            if word.text in path:
                ring = [*path[path.index(word.text) :], word.text]
                findings.add(
                    "circle", "these rules are over one another: "
                    + " over ".join(f"`{rule}`" for rule in ring[:6]),
                    word.span, Mend("leave one of the `over` out"),
                )  # fmt: skip
            else:
                stack.append((word.text, 0))

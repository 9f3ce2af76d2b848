"""Verdicts as diagnostics, and as the lines of the proof table.

Knows verdicts and the words for them. Does not know how one is reached.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import assert_never

from carerules.domain.action import ACTIONS, Action, Charge, Drain, Switch
from carerules.domain.diagnostic import Diagnostic, Mend, Severity, Span
from carerules.domain.pack import Pack
from carerules.domain.plan import Never, Rule
from carerules.domain.quantity import Quantity
from carerules.domain.wording import wording
from carerules.lang.codes import Code
from carerules.lang.limits import FINDINGS_MAX
from carerules.lang.prove.ground import aim_of, show_aim
from carerules.lang.prove.interlock import MODEL
from carerules.lang.prove.verdict import (
    AlwaysTrue,
    Gap,
    IdleRearm,
    Interlocked,
    Meeting,
    Misfit,
    NeverTrue,
    OnlyAtFirst,
    PingPong,
    Rivals,
    Undecided,
    Verdict,
)

PROOF_CODES: Mapping[str, Code] = {code.name: code for code in (
    Code("never-fires", "a rule whose condition can never be true",
         "No values make the whole condition true, though each part may be. The rule would never do"
         " anything.",
         'when pack.soc > 90 for 1 h and not pack.soc > 80: notify "full"',
         'when pack.soc > 90 for 1 h and not pack.soc > 95: notify "full"'),
    Code("never-forbids", "a `never` that can never forbid",
         "No values make its condition true, so that it holds nothing back while everything is"
         " known.",
         "never charge when not (pack.temperature > 5 °C or pack.temperature < 45 °C)",
         "never charge when not (pack.temperature > 5 °C and pack.temperature < 45 °C)",
         warning=True),
    Code("only-at-first", "a condition that is true only at first",
         "What stands in a `for` or an `in last` cannot be otherwise, whatever the values are. So"
         " the condition can be true only until it has been known for that time: after the first"
         " reading, and after a silence. Often an `or` stands where `and` is meant.",
         'when not ((pack.soc < 40 or pack.soc >= 40) for 1 h): notify "odd"',
         'when not (pack.soc between 40 and 60 for 1 h): notify "odd"', warning=True),
    Code("always-true", "a condition that is always true",
         "Whatever the values are, the condition is true: a rule fires once and never again, a"
         " `never` always forbids. Often an `or` stands where `and` is meant.",
         "never charge when pack.temperature > 5 °C or pack.temperature < 45 °C",
         "never charge when pack.temperature < 5 °C or pack.temperature > 45 °C", warning=True),
    Code("idle-rearm", "a `rearm when` that holds nothing back",
         "Wherever the rule's condition is true its `rearm when` is true as well, so that the rule"
         " fires anew as soon as its condition has been false, as without one. Often the comparison"
         " stands the wrong way round.",
         'when pack.soc > 90 for 1 h:\n    notify "full"\n    rearm when pack.soc > 80',
         'when pack.soc > 90 for 1 h:\n    notify "full"\n    rearm when pack.soc < 80',
         warning=True),
    Code("pack-voltage", "a voltage that does not fit the cells of a pack",
         "`pack.voltage` is that of the whole pack: many times a cell's, and another one for packs"
         " of 4 and of 6 cells. The check knows the packs where it reads a site.", warning=True),
    Code("rivals", "two rules that want different things of one pack",
         "Both can be true at the same time for the same pack. Without `over`, the one that moves"
         " the least energy goes first, and the other follows it.",
         "rule a when pack.soc > 90 for 1 h: drain to 80\n"
         "rule b when pack.soc > 85 for 1 h: drain to 50",
         "rule a when pack.soc > 90 for 1 h: drain to 80\n"
         "rule b over a when pack.soc > 85 for 1 h: drain to 50", warning=True),
    Code("always-vetoed", "an action that a `never` always forbids",
         "Wherever the rule is true, a `never` is true as well, so that the action can not begin.",
         "never charge when pack.soc < 30\nwhen pack.soc < 20 for 1 h: charge to 60",
         "never charge when pack.soc < 10\nwhen pack.soc < 20 for 1 h: charge to 60"),
    Code("ping-pong", "rules that undo each other's work, again and again",
         "Where one rule leaves the pack, the next one fires, and so on back to the first. It is an"
         " error where nothing but the charge has to change for that, and a warning where something"
         " else does, such as the time of day.",
         "rule a when pack.soc > 70 for 1 h: drain to 40\n"
         "rule b when pack.soc < 50 for 1 h: charge to 80",
         "rule a when pack.soc > 70 for 1 h: drain to 60\n"
         "rule b when pack.soc < 50 for 1 h: charge to 60"),
    Code("not-decided", "something that the check could not find out",
         "The condition falls into too many cases, or its values hang together in a way that the"
         " check does not know. Nothing is said about it, neither good nor bad.", warning=True),
)}  # fmt: skip
"""What a proof can say of rules: rows for the table of codes."""


def diagnostics(verdicts: Iterable[Verdict]) -> tuple[Diagnostic, ...]:
    """Everything that is wrong, errors first where there is no room for all, by place."""
    found = [told for verdict in verdicts for told in _diagnostic(verdict)]
    if len(found) > FINDINGS_MAX:
        found = sorted(found, key=lambda one: one.severity is Severity.WARNING)
        left = len(found) - FINDINGS_MAX + 1
        found = found[: FINDINGS_MAX - 1]
        found.append(Diagnostic(
            "not-decided", f"{left} more were found, and are not shown", found[-1].span,
            Mend("mend these first"), Severity.WARNING,
        ))  # fmt: skip
    return tuple(sorted(found, key=lambda one: (one.span.file, one.span.line, one.span.column)))


def _giving_way(first: Rule, second: Rule) -> str:
    """Where `over` is to be written: a file that ships is nobody's to edit."""
    for mine, other in ((first, second), (second, first)):
        if mine.span.file.endswith(".care") and not other.span.file.endswith(".care"):
            return (f"let {_name(other)} give way: `over {other.name}` in the head of"
                    f" {_name(mine)}")  # fmt: skip
    return (
        f"say which one gives way: `over {second.name}` in the head of {_name(first)}, or"
        f" `over {first.name}` in that of {_name(second)}"
    )


def _diagnostic(verdict: Verdict) -> Iterator[Diagnostic]:
    match verdict:
        case NeverTrue(what):
            yield _dead(what)
        case OnlyAtFirst(what):
            does = f"{_name(what)} fires" if isinstance(what, Rule) else "it forbids"
            message = (
                f"`{wording(what.when)}` can be true only while there is too little to look back"
                f" on, so that {does} after the first reading or a silence at most"
            )
            yield _told("only-at-first", message, what.span,
                        "is `and` meant where `or` stands, or the other way round?")  # fmt: skip
        case AlwaysTrue(what):
            message = f"`{wording(what.when)}` is true whatever the values are"
            if isinstance(what, Never):
                message += f", so that nothing may ever {what.action}"
            yield _told("always-true", message, what.span,
                        "is `and` meant where `or` stands, or the other way round?")  # fmt: skip
        case IdleRearm(rule):
            yield _idle(rule)
        case Misfit(what, level, pack):
            yield _misfit(what, level, pack)
        case Rivals(first, second, witness):
            message = (
                f"{_name(first)} ({show_aim(aim_of(first))}) and {_name(second)}"
                f" ({show_aim(aim_of(second))}) can be true together"
            )
            yield _told(
                "rivals", message, first.span,
                _giving_way(first, second),
                (witness.show(), None), (f"{_name(second)} stands here", second.span),
            )  # fmt: skip
        case Interlocked(meeting=Meeting.ALWAYS):
            yield _vetoed(verdict)
        case Interlocked() | Gap():
            pass  # a line of the table, no mistake
        case PingPong(rules, states, pack, tight):
            names = [_name(rule) for rule in rules]
            message = f"{' makes '.join([*names, names[0]])} fire, and so on without end"
            if not tight:
                message = f"{' makes '.join([*names, names[0]])} fire, whenever the rest allows it"
            loop = [
                (f"{pack} at {state.show()}: {name} fires: {show_aim(aim_of(rule))}", rule.span)
                for name, rule, state in zip(names, rules, states, strict=True)
            ]
            yield Diagnostic(
                "ping-pong", message, rules[0].span,
                Mend("move the levels apart: no rule should fire where another one ends"),
                Severity.ERROR if tight else Severity.WARNING, tuple(loop),
            )  # fmt: skip
        case Undecided(what, question, why, other):
            about = _what(what) + (f" and {_what(other)}" if other is not None else "")
            yield _told("not-decided", f"{about}: not decided {question}: {why}", what.span,
                        "say it in fewer words, or in several rules")  # fmt: skip
        case _:
            assert_never(verdict)


def _dead(what: Rule | Never) -> Diagnostic:
    """A condition that no values make true."""
    said = f"`{wording(what.when)}` can never be true"
    if isinstance(what, Rule):
        message = f"{said}, so that {_name(what)} never fires"
        return _told("never-fires", message, what.span, "change a limit, or leave the rule out")
    message = f"{said}, so that it forbids nothing"
    return _told("never-forbids", message, what.span, "change a limit, or leave it out")


def _idle(rule: Rule) -> Diagnostic:
    """A `rearm when` that might as well not be there."""
    assert rule.rearm_when is not None
    message = (
        f"`rearm when {wording(rule.rearm_when)}` is true wherever the condition of {_name(rule)}"
        " is, so that it holds nothing back"
    )
    mend = "say what must come about in between, or leave it out; is it the wrong way round?"
    return _told("idle-rearm", message, rule.span, mend)


def _misfit(what: Rule | Never, level: Quantity, pack: Pack) -> Diagnostic:
    """A voltage that no pack of so many cells has."""
    a_cell = Quantity(round(level.value / pack.cells, 2), level.dimension).show()
    cells = f"{pack.cells} {'cell' if pack.cells == 1 else 'cells'}"
    message = (
        f"{_what(what)} compares `pack.voltage`, that of the whole pack, with {level.show()}: a"
        f" {pack.chemistry} pack of {cells}, such as {pack.name}, would have {a_cell} a cell"
    )
    mend = (
        "ask a cell, `pack.cell.min` or `pack.cell.max`, or say for packs of how many cells it is"
        " meant: `where cells = N`"
    )
    return _told("pack-voltage", message, what.span, mend)


def _vetoed(verdict: Interlocked) -> Diagnostic:
    """An action that can never begin."""
    action, never = line_said(verdict.action), verdict.never
    notes: list[tuple[str, Span | None]] = []
    if verdict.witness is not None:
        notes.append((f"for instance {verdict.witness.show()}", None))
    if never is None:
        message = f"the `never`s together always keep `{action}` from starting"
    else:
        message = f"`{_never(never)}` always keeps `{action}` from starting"
        notes.append(("what forbids it stands here", never.span))
    mend = "change where the rule fires, or what is forbidden"
    return _told("always-vetoed", message, verdict.rule.span, mend, *notes)


def _told(
    code: str, message: str, span: Span, mend: str, *notes: tuple[str, Span | None]
) -> Diagnostic:
    severity = Severity.WARNING if PROOF_CODES[code].warning else Severity.ERROR
    return Diagnostic(code, message, span, Mend(mend), severity, notes)


def _name(rule: Rule) -> str:
    return f"`{rule.name}`"


def _what(what: Rule | Never) -> str:
    return _name(what) if isinstance(what, Rule) else f"`{_never(what)}`"


def _never(never: Never) -> str:
    return f"never {never.action} when {wording(never.when)}"


def line_said(action: Action) -> str:
    """An action as it stands in the text, without its options."""
    match action:
        case Drain(target) | Charge(target):
            return f"{ACTIONS[type(action)].name} to {target:.4g} %"
        case Switch(side, _):
            return f"switch {side.value} on"
        case _:
            return ACTIONS[type(action)].name


# ---- the table ---------------------------------------------------------------------------------


def table(
    interlocks: Sequence[Interlocked], gaps: Sequence[Gap], models: Sequence[str] = ()
) -> str:  # fmt: skip
    """The lines of the proofs: each action against each `never`, then the gaps; with the model."""
    lines: list[str] = []
    if interlocks:
        lines += ["each action against each `never`", *_interlock_lines(interlocks), ""]
        lines += ["  the proofs hold as far as this does:", *(f"  - {one}" for one in MODEL)]
        if any(one.by_cells for one in interlocks):
            lines += [f"  - by the cells' model: {one}" for one in models]
        lines.append("")
    if gaps:
        lines += ["where a full pack may sit and nothing drains it", *_gap_lines(gaps), ""]
    return "\n".join(lines).rstrip("\n") + "\n" if lines else ""


def _interlock_lines(interlocks: Sequence[Interlocked]) -> Iterator[str]:
    heading: tuple[int, int] | None = None
    for one in interlocks:
        if heading != (id(one.rule), one.line):
            heading = id(one.rule), one.line
            yield f"  {one.rule.name}: {line_said(one.action)}"
        against = "all of them together" if one.never is None else _never(one.never)
        model = ", by the cells' model" if one.by_cells else ""
        yield f"    {against}: {one.meeting.value}{model}"
        if one.witness is not None:
            yield f"      {one.witness.show()}"


def _gap_lines(gaps: Sequence[Gap]) -> Iterator[str]:
    rows = [("packs", "charge", "time until use", "sometimes", "told by")]
    rows += [
        (one.packs, one.soc, one.until, ", ".join(one.partly) or "-", ", ".join(one.told) or "-")
        for one in gaps
    ]
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        cells = (text.ljust(width) for text, width in zip(row, widths, strict=True))
        yield "  " + "  ".join(cells).rstrip()

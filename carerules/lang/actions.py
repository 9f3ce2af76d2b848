"""From the action lines of a rule to what a job is made of.

Knows actions, their options and the holes in their texts. Does not know conditions.
"""

from __future__ import annotations

import re
from typing import cast

from carerules.domain import action as a
from carerules.domain.diagnostic import Mend, Span
from carerules.domain.moment import show_duration
from carerules.domain.pack import Side
from carerules.domain.quantity import C_RATE, CHARGE_LEVEL, POWER, show
from carerules.lang import statements as st
from carerules.lang import syntax as s
from carerules.lang.clock import day_window, minute_of_day
from carerules.lang.findings import try_name
from carerules.lang.limits import AGAIN_LEAST, SWITCH_TIME_MAX
from carerules.lang.scope import Scope, written

# Which options each action takes.
_OPTIONS: dict[str, frozenset[str]] = {
    "DRAIN": frozenset({"AT", "DURING"}),
    "CHARGE": frozenset({"AT", "BY", "DURING"}),
    "SWITCH": frozenset({"ON", "OFF"}),
    "ASK": frozenset({"WITHIN"}),
    "NOTIFY": frozenset({"URGENT", "AGAIN", "TO"}),
    "RETIRE": frozenset({"BECAUSE"}),
}
_INSTEAD = {"BECAUSE": 'the reason stands in the head: `rule NAME because "..." when ...`'}
_SAID = {"AT": "at most", "AGAIN": "again every"}


def action(node: st.ActionNode, scope: Scope) -> a.Action | None:
    """One action; None: told to the findings."""
    options = _options(node, scope)
    if options is None:
        return None
    match node.kind.type:
        case "DRAIN":
            return _drain(node, options, scope)
        case "CHARGE":
            return _charge(node, options, scope)
        case "REST":
            time = scope.duration(cast(s.AmountNode, node.what), "`rest`")
            return None if time is None else a.Rest(time)
        case "HOLD":
            time = scope.duration(cast(s.AmountNode, node.what), "`hold`")
            return None if time is None else a.Hold(time)
        case "SWITCH":
            return _switch(node, options, scope)
        case "ASK":
            return _ask(node, options, scope)
        case "NOTIFY":
            return _notify(node, options, scope)
        case "CHORE":
            said = text(cast(s.Word, node.what), scope)
            return None if said is None else a.Chore(said)
        case "MARK":
            return a.Mark(cast(s.Word, node.what).text)
        case "QUARANTINE":
            return a.Quarantine()
        case _:
            assert node.kind.type == "RETIRE"
            if "BECAUSE" not in options:
                return a.Retire()
            said = text(cast(s.Word, options["BECAUSE"].what), scope)
            return None if said is None else a.Retire(said)


def _options(node: st.ActionNode, scope: Scope) -> dict[str, st.OptionNode] | None:
    found: dict[str, st.OptionNode] = {}
    fits = _OPTIONS.get(node.kind.type, frozenset())
    for option in node.options:
        kind = option.kind.type
        if kind not in fits:
            scope.findings.add(
                "misplaced", f"`{_said(option)}` does not go with `{node.kind.text}`",
                option.span, Mend(_INSTEAD[kind]) if kind in _INSTEAD else Mend("leave it out", ""),
            )  # fmt: skip
            return None
        if kind in found:
            scope.findings.add(
                "twice", f"`{_said(option)}` stands here twice", option.span,
                Mend("leave one of them out"),
            )  # fmt: skip
            return None
        found[kind] = option
    return found


def _said(option: st.OptionNode) -> str:
    """The option as its author began it: `at most`, `by use`."""
    if option.kind.type == "BY" and isinstance(option.what, s.Word):
        return f"by {option.what.text}"
    return _SAID.get(option.kind.type, option.kind.text)


def _drain(node: st.ActionNode, options: dict[str, st.OptionNode], scope: Scope) -> a.Drain | None:
    target = _target(node, scope)
    window, sound = _window(options, scope)
    power: float | None = None
    if "AT" in options:
        limit_node = cast(s.AmountNode, options["AT"].what)
        limit = scope.amount(limit_node, POWER, "`at most`")
        if limit is None:
            return None
        if limit.value <= 0:
            scope.findings.add(
                "out-of-range", "a load draws more than 0 W", limit_node.span,
                Mend("write a power above 0, such as `60 W`"),
            )  # fmt: skip
            return None
        power = limit.value
    return a.Drain(target, power_w=power, window=window) if target is not None and sound else None


def _charge(
    node: st.ActionNode, options: dict[str, st.OptionNode], scope: Scope
) -> a.Charge | None:
    target = _target(node, scope)
    window, sound = _window(options, scope)
    by_use, by_minute, timely = _by(options.get("BY"), scope)
    rate: float | None = None
    if "AT" in options:
        limit_node = cast(s.AmountNode, options["AT"].what)
        limit = scope.amount(limit_node, C_RATE, "`at most` of a charge")
        rate = None if limit is None else limit.value
        if rate is not None and rate <= 0:
            scope.findings.add(
                "out-of-range", "a charger works at more than 0 C", limit_node.span,
                Mend("write a rate above 0, such as `0.5 C`"),
            )  # fmt: skip
        sound = sound and rate is not None and rate > 0
    if target is None or not sound or not timely:
        return None
    return a.Charge(target, by_use=by_use, window=window, by_minute=by_minute, rate_c=rate)


def _by(option: st.OptionNode | None, scope: Scope) -> tuple[bool, int | None, bool]:
    """By the next use, by which minute of the day, and whether it is said rightly."""
    if option is None:
        return False, None, True
    word = cast(s.Word, option.what)
    if word.type == "USE":
        return True, None, True
    if word.type == "CLOCK":
        minute = minute_of_day(word, scope)
        return False, minute, minute is not None
    scope.findings.add(
        "unexpected", f"found `{word.text}`, wanted `use` or a clock time", word.span,
        Mend("write `by use`, or a time such as `by 07:00`"),
    )  # fmt: skip
    return False, None, False


def _switch(
    node: st.ActionNode, options: dict[str, st.OptionNode], scope: Scope
) -> a.Switch | None:
    side = Side(cast(s.Word, node.what).text)
    if "OFF" in options:
        return a.Switch(side, None)
    at = cast(s.AmountNode, options["ON"].what)
    time = scope.duration(at, "`for`")
    if time is None:
        return None
    if time > SWITCH_TIME_MAX:
        most = show_duration(SWITCH_TIME_MAX)
        scope.findings.add(
            "out-of-range", f"a plain switch is on for at most {most}", at.span,
            Mend(f"`{written(at)}` is longer; `drain to` and `charge to` take as long as it takes"),
        )  # fmt: skip
        return None
    return a.Switch(side, time)


def _notify(
    node: st.ActionNode, options: dict[str, st.OptionNode], scope: Scope
) -> a.Notify | None:
    said = text(cast(s.Word, node.what), scope)
    again, to, sound = None, "", said is not None
    if "AGAIN" in options:
        every = cast(s.AmountNode, options["AGAIN"].what)
        again = scope.duration(every, "`again every`")
        if again is not None and again < AGAIN_LEAST:
            scope.findings.add(
                "out-of-range", f"`again every` is at least {show_duration(AGAIN_LEAST)}",
                every.span,
                Mend("write a longer time, such as `7 d`"),
            )  # fmt: skip
        sound = sound and again is not None and again >= AGAIN_LEAST
    if "TO" in options:
        word, known = cast(s.Word, options["TO"].what), scope.names.channels
        to = word.text
        if known is not None and not scope.taken_in and to not in known:
            scope.findings.add(
                "unknown-channel", f"unknown channel `{to}`", word.span,
                try_name(to, known) or Mend(f"set it up in the site file: `[channel.{to}]`"),
            )  # fmt: skip
            sound = False
    return a.Notify(said, "URGENT" in options, again, to) if said is not None and sound else None


def _ask(node: st.ActionNode, options: dict[str, st.OptionNode], scope: Scope) -> a.Ask | None:
    said = text(cast(s.Word, node.what), scope)
    if "WITHIN" not in options:
        scope.findings.add(
            "missing-word", "`ask` waits for an answer, and does not say how long", node.span,
            Mend("write how long after the text, such as `within 1 h`"),
        )  # fmt: skip
        return None
    within = scope.duration(cast(s.AmountNode, options["WITHIN"].what), "`within`")
    return None if said is None or within is None else a.Ask(said, within)


def _target(node: st.ActionNode, scope: Scope) -> float | None:
    at = cast(s.AmountNode, node.what)
    target = scope.amount(at, CHARGE_LEVEL, f"`{node.kind.text} to`")
    if target is None:
        return None
    if 0 <= target.value <= 100:
        return target.value
    scope.findings.add(
        "out-of-range",
        f"`{node.kind.text} to` goes from {show(0, CHARGE_LEVEL)} to {show(100, CHARGE_LEVEL)}",
        at.span, Mend(f"`{written(at)}` is outside; write a value inside"),
    )  # fmt: skip
    return None


def _window(options: dict[str, st.OptionNode], scope: Scope) -> tuple[a.DayWindow | None, bool]:
    if "DURING" not in options:
        return None, True
    window = day_window(cast(s.WindowNode, options["DURING"].what), scope)
    return window, window is not None


# ---- texts -------------------------------------------------------------------------------------

_PIECE = re.compile(r"\{([^{}]*)\}|([{}])|([^{}]+)")


def text(word: s.Word, scope: Scope) -> a.Text | None:
    """The text with its holes; each names the pack or a signal. None: told to the findings."""
    pieces: list[str | a.Hole] = []
    sound = True
    for piece in _PIECE.finditer(word.text):
        # The word's span begins with the quotation mark; its text does not.
        start = word.span.column + 1 + piece.start()
        line = word.span.line
        at = Span(word.span.file, line, start, line, start + len(piece[0]))
        if piece[3] is not None:
            pieces.append(piece[3])
        elif piece[2] is not None:
            sound = False
            other = "opens a hole that nothing closes" if piece[2] == "{" else "closes no hole"
            scope.findings.add(
                "hole", f"`{piece[2]}` {other}", at, Mend("write `{pack}` or `{pack.soc}`")
            )
        elif (hole := _hole(piece[1].strip(), at, scope)) is not None:
            pieces.append(hole)
        else:
            sound = False
    return tuple(pieces) if sound else None


def _hole(name: str, at: Span, scope: Scope) -> a.Hole | None:
    if name == "pack":
        return a.Hole("pack", None)
    row = scope.catalogue.get(name)
    if row is not None:
        return a.Hole(row.name, row.dimension)
    if not name:
        scope.findings.add("hole", "this hole is empty", at, Mend("write `{pack}`", "{pack}"))
        return None
    inner = Span(at.file, at.line, at.column + 1, at.line, at.end_column - 1)
    scope.unknown_signal(s.Word("SIGNAL", name, inner))
    return None

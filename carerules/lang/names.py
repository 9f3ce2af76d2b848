"""Each name in a file: what it names, where it stands, and whether it is given there.

Knows the trees of statements. Does not know other files, nor whether a name means anything.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Literal, TypeAlias

from carerules.domain.diagnostic import Span
from carerules.domain.frozen import guarded
from carerules.lang import statements as st
from carerules.lang import syntax as s
from carerules.lang.findings import Findings
from carerules.lang.memo import Memo
from carerules.lang.resolve import rule_name
from carerules.lang.scan import scan

NameKind: TypeAlias = Literal[
    "let", "setting", "group", "rule", "scenario", "file", "signal", "event", "pack", "kind",
    "chemistry", "role", "tag", "channel", "day",
]  # fmt: skip
"""`setting`: a `let` of another file; `kind`: before `packs`, a group, chemistry or tag."""


@guarded
class Mention:
    """One name. `within`: the file that a setting is of, the scenario that a pack is of."""

    kind: NameKind
    name: str
    span: Span
    gives: bool = False
    within: str = ""


@guarded
class Statement:
    """One statement that could be read: what it is called, and from where to where it goes.

    `name` is empty for what gives none. `names`: every name in it, in the order of the text.
    """

    kind: Literal["use", "let", "group", "never", "rule", "scenario"]
    name: str
    span: Span
    names: tuple[Mention, ...]


@guarded
class Outline:
    """The statements of a file; `torn`: the first line of each that could not be read."""

    statements: tuple[Statement, ...]
    torn: tuple[int, ...]

    @property
    def names(self) -> tuple[Mention, ...]:
        """Every name of the file."""
        return tuple(name for statement in self.statements for name in statement.names)


def outline(text: str, file: str, memo: Memo | None = None) -> Outline:
    """The statements of a file and their names. Never raises for what stands in it."""
    memo, ignored = memo or Memo(), Findings()
    found: list[Statement] = []
    torn: list[int] = []
    for item in scan(text, file, ignored):
        node = memo.parse(item, ignored)
        if node is None:
            torn.append(item.line)
        else:
            found.append(_statement(node))
    return Outline(tuple(found), tuple(torn))


def _statement(node: st.StatementNode) -> Statement:
    names = tuple(sorted(_names(node, ""), key=lambda one: (one.span.line, one.span.column)))
    match node:
        case st.UseNode(name, _, span):
            return Statement("use", name.text, span, names)
        case st.BindingNode(name=name, span=span):
            return Statement("let", name.text, span, names)
        case st.GroupNode(name, _, span):
            return Statement("group", name.text, span, names)
        case st.NeverNode(span=span):
            return Statement("never", "", span, names)
        case st.RuleNode(span=span):
            return Statement("rule", rule_name(node), span, names)
        case st.ScenarioNode(name=name, span=span):
            return Statement("scenario", name.text, span, names)


# ---- names -------------------------------------------------------------------------------------


def _names(node: object, within: str) -> Iterator[Mention]:
    """The names in a tree. `within`: the scenario around it, whose packs are its own."""
    match node:
        case s.Word(type="STRING"):
            yield from _holes(node)
            return
        case st.UseNode(name, bindings, _):
            yield Mention("file", name.text, _inner(name))
            for binding in bindings:
                yield Mention("setting", binding.name.text, binding.name.span, within=name.text)
                yield from _names(binding.value, within)
            return
        case st.ScenarioNode(name=name, scenes=scenes):
            yield Mention("scenario", name.text, _inner(name), gives=True)
            yield from _names(scenes, name.text)
            return
        case s.FilterIsNode(what, name, _):
            kinds: dict[str, NameKind] = {"CHEMISTRY": "chemistry", "ROLE": "role"}
            kind = kinds.get(what.type, "tag")
            yield Mention(kind, name.text, _inner(name) if kind == "tag" else name.span)
            return
        case _:
            yield from _own(node, within)
    for part in node if isinstance(node, tuple) else ():
        yield from _names(part, within)


def _own(node: object, within: str) -> Iterator[Mention]:
    """The names that are words of the node itself."""
    match node:
        case st.BindingNode(name=name):
            yield Mention("let", name.text, name.span, gives=True)
        case s.ReferenceNode(name):
            yield Mention("let", name.text, name.span)
        case st.GroupNode(name=name):
            yield Mention("group", name.text, name.span, gives=True)
        case st.RuleNode(name=s.Word() as name):
            yield Mention("rule", name.text, name.span, gives=True)
        case st.ClauseNode(kind=s.Word(type="OVER"), what=tuple() as words):
            yield from (Mention("rule", word.text, word.span) for word in words)
        case s.SignalNode(name) | s.OverWindowNode(signal=name):
            yield Mention("signal", name.text, name.span)
        case s.TimeSinceNode(event=name) | s.CountInNode(event=name):
            yield Mention("event", name.text, name.span)
        case s.CountSinceNode(event, since, _):
            yield Mention("event", event.text, event.span)
            yield Mention("event", since.text, since.span)
        case s.OnePackNode(name, _):
            yield Mention("pack", name.text, name.span)
        case s.SomePacksNode(name=s.Word() as name):
            yield Mention("kind", name.text, name.span)
        case s.DaysNode(days, _):
            yield from (Mention("day", day.text, day.span) for day in days)
        case st.MomentNode(day=s.Word() as day):
            yield Mention("day", day.text, day.span)
        case st.ActionNode(kind=s.Word(type="MARK"), what=s.Word() as name):
            yield Mention("event", name.text, name.span, gives=not within)
        case st.OptionNode(kind=s.Word(type="TO"), what=s.Word() as name):
            yield Mention("channel", name.text, name.span)
        case _:
            yield from _in_scenario(node, within)


def _in_scenario(node: object, within: str) -> Iterator[Mention]:
    def pack(word: s.Word | None, *, gives: bool = False) -> Iterator[Mention]:
        if word is not None:
            yield Mention("pack", word.text, word.span, gives, within)

    match node:
        case st.GivenPackNode(name, _, _):
            yield from pack(name, gives=True)
        case st.TraitNode(kind=s.Word(type="IS"), what=s.Word() as name):
            yield Mention("chemistry", name.text, name.span)
        case st.TraitNode(kind=s.Word(type="ROLE"), what=s.Word() as name):
            yield Mention("role", name.text, name.span)
        case st.TraitNode(kind=s.Word(type="TAGGED"), what=s.Word() as name):
            yield Mention("tag", name.text, _inner(name))
        case st.SetNode(pack=word, signal=signal):
            yield from pack(word)
            yield Mention("signal", signal.text, signal.span)
        case st.OccursNode(word, event, _):
            yield from pack(word)
            yield Mention("event", event.text, event.span)
        case st.PlannedNode(packs=words):
            for word in words:
                yield from pack(word)
        case st.MovedNode(pack=word):
            yield from pack(word)
        case st.ExpectNode(pack=word, what=what, by=by):
            yield from pack(word)
            if isinstance(by, s.Word):
                yield Mention("rule", by.text, by.span)
            elif isinstance(what, st.ActionNode):
                rules = [option.rule for option in what.options if option.rule is not None]
                yield from (Mention("rule", rule.text, rule.span) for rule in rules)
        case _:
            pass


def _inner(word: s.Word) -> Span:
    """The place of a text without its quotation marks."""
    span = word.span
    if word.type != "STRING":
        return span
    return Span(span.file, span.line, span.column + 1, span.end_line, span.end_column - 1)


_HOLE = re.compile(r"\{\s*([\w.-]+)\s*\}")


def _holes(word: s.Word) -> Iterator[Mention]:
    """The signals that a text fills its holes with; `{pack}` is a word and no name."""
    for found in _HOLE.finditer(word.text):
        if "." in found[1]:
            line, column = word.span.line, word.span.column + 1 + found.start(1)
            at = Span(word.span.file, line, column, line, column + len(found[1]))
            yield Mention("signal", found[1], at)

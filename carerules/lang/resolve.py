"""From the trees of one file to rules: every name looked up, every unit put in its base.

Knows statements and how they hang together in a file. Does not know other files, nor the parser.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import cast

from carerules.domain.action import Action, Notify
from carerules.domain.condition import Condition
from carerules.domain.diagnostic import Mend, Span
from carerules.domain.frozen import guarded
from carerules.domain.plan import Forbidden, Never, Rule
from carerules.domain.quantity import COUNT, Quantity
from carerules.domain.selector import EVERY_PACK
from carerules.lang import statements as st
from carerules.lang import syntax as s
from carerules.lang.actions import action, text
from carerules.lang.check import check_rule
from carerules.lang.conditions import condition
from carerules.lang.findings import try_name
from carerules.lang.limits import CONDITIONS_MAX
from carerules.lang.scope import Scope, bare
from carerules.lang.selectors import selector
from carerules.lang.words import KEYWORDS


@guarded
class Override:
    """A `let` that a `use ... with` replaces: the value, and where the user of the file wrote it.

    A value of None: its own slip is told already.
    """

    value: Quantity | None
    span: Span


@dataclass(slots=True)
class Resolved:
    """What one file comes to. `over` is kept by word, for the check of the whole."""

    rules: list[Rule] = field(default_factory=list)
    nevers: list[Never] = field(default_factory=list)
    over: list[tuple[str, tuple[s.Word, ...]]] = field(default_factory=list)


def rule_name(node: st.RuleNode) -> str:
    """The name, or for an unnamed one the file's stem and the line: `river:3`."""
    if node.name is not None:
        return node.name.text
    file = node.span.file.replace("\\", "/").rpartition("/")[2]
    return f"{file.removesuffix('.care')}:{node.span.line}"


class FileResolver:
    """Takes the statements of one file in order; `let` and `group` stand above their use."""

    def __init__(self, scope: Scope, overrides: Mapping[str, Override]) -> None:
        self.scope, self.findings = scope, scope.findings
        self.overrides = overrides
        self.out = Resolved()
        self.defined: dict[str, tuple[str, Span]] = {}

    # ---- let and group -----------------------------------------------------------------------

    def define(self, node: st.BindingNode | st.GroupNode) -> None:
        """Take in a `let` or a `group`."""
        kind = "group" if isinstance(node, st.GroupNode) else "let"
        name = node.name.text
        self.allowed_name(node.name)
        if (before := self.defined.get(name)) is not None:
            self.findings.add(
                "duplicate-name", f"`{name}` is defined above", node.name.span,
                Mend("find another name"), (f"`{before[0]} {name}` stands here", before[1]),
            )  # fmt: skip
            if kind == "group":
                self.scope.groups.setdefault(name, None)
            else:
                self.scope.lets.setdefault(name, None)
            return
        self.defined[name] = (kind, node.name.span)
        if isinstance(node, st.GroupNode):
            self._group(node)
        else:
            self._let(node)

    def _group(self, node: st.GroupNode) -> None:
        name, names = node.name.text, self.scope.names
        for kind, known in (("chemistry", names.chemistries), ("tag", names.tags)):
            if known is not None and name in known and not self.scope.taken_in:
                self.findings.add(
                    "shadowed-name", f"`{name}` is a {kind}, and a group of that name would hide"
                    " it", node.name.span, Mend("find another name"),
                )  # fmt: skip
        self.scope.groups[name] = selector(node.selector, self.scope)

    def _let(self, node: st.BindingNode) -> None:
        value = self.value_of(node)
        override = self.overrides.get(node.name.text)
        if override is not None:
            if value is not None and override.value is not None and (
                value.dimension != override.value.dimension
            ):  # fmt: skip
                mine, theirs = value.dimension.name, override.value.dimension.name
                said = "give it the same kind of unit"
                if override.value.dimension == COUNT and value.dimension.unit:
                    said = f"write `{override.value.show()} {value.dimension.unit}`"
                self.findings.add(
                    "unit-mismatch", f"`{node.name.text}` is a {mine} in the file taken in, got a"
                    f" {theirs}", override.span, Mend(said),
                    (f"`let {node.name.text}` stands here", node.name.span),
                )  # fmt: skip
                value = None
            else:
                value = override.value
        elif isinstance(node.value, s.NumberNode) and bare(node.value):
            self.scope.bare_lets[node.name.text] = node.value
        self.scope.lets[node.name.text] = value

    def value_of(self, node: st.BindingNode) -> Quantity | None:
        """The value that a `let`, or a setting after `with`, gives."""
        if node.op.text != "=":
            self.findings.add(
                "unexpected", f"found `{node.op.text}`, wanted `=`", node.op.span,
                Mend("write `=`", "=", safe=True),
            )  # fmt: skip
        return self.scope.free_amount(node.value)

    def allowed_name(self, word: s.Word) -> None:
        """A new name must not be a word of the language."""
        if word.text in KEYWORDS:
            self.findings.add(
                "reserved-word", f"`{word.text}` is a word of the language", word.span,
                Mend("find another name"),
            )  # fmt: skip

    # ---- rules -------------------------------------------------------------------------------

    def never(self, node: st.NeverNode) -> None:
        """Take in an interlock of the author's."""
        on = selector(node.selector, self.scope)
        when = self._condition(node.when)
        kind: Forbidden = "charge" if node.kind.type == "CHARGE" else "drain"
        if on is not None and when is not None:
            self.out.nevers.append(Never(kind, on, when, node.span))

    def rule(self, node: st.RuleNode) -> None:
        """Take in a care rule."""
        if node.name is not None:
            self.allowed_name(node.name)
        clauses = self._clauses(node)
        on_clause, over_clause = clauses.get("ON"), clauses.get("OVER")
        on = EVERY_PACK
        sound = True
        if on_clause is not None:
            found = selector(_selector_of(on_clause), self.scope)
            on, sound = (found, True) if found is not None else (EVERY_PACK, False)
        because = self._because(clauses.get("BECAUSE"))
        over = () if over_clause is None else cast(tuple[s.Word, ...], over_clause.what)
        name = rule_name(node)
        self.out.over.append((name, over))
        when = self._condition(node.when.condition)
        actions, endings = self._steps(node.when)
        if when is None or actions is None or endings is None or not sound:
            return
        span = node.name.span if node.name is not None else node.when.word.span
        rule = Rule(
            name, on, when, actions, span, frozenset(word.text for word in over), because,
            endings.get("STOP"), endings.get("REARM"),
        )  # fmt: skip
        check_rule(rule, node, self.findings)
        self.out.rules.append(rule)

    def _clauses(self, node: st.RuleNode) -> dict[str, st.ClauseNode]:
        found: dict[str, st.ClauseNode] = {}
        for clause in node.clauses:
            if clause.kind.type in found:
                self.findings.add(
                    "twice", f"`{clause.kind.text}` stands twice in the head of this rule",
                    clause.kind.span, Mend("leave one of them out"),
                )  # fmt: skip
            found.setdefault(clause.kind.type, clause)
        return found

    def _because(self, clause: st.ClauseNode | None) -> str:
        if clause is None or not isinstance(clause.what, s.Word):
            return ""
        said = text(clause.what, self.scope)
        if said is not None and not all(isinstance(piece, str) for piece in said):
            self.findings.add(
                "hole", "a reason has no holes: it is the same for every pack", clause.what.span,
                Mend("say it without `{...}`"),
            )  # fmt: skip
        return clause.what.text

    def _condition(self, node: s.ConditionNode) -> Condition | None:
        count = _count(node)
        if count > CONDITIONS_MAX:
            self.findings.add(
                "too-many", f"a rule has at most {CONDITIONS_MAX} conditions, this has {count}",
                node.span, Mend("make several rules of it"),
            )  # fmt: skip
            return None
        return condition(node, self.scope)

    def _steps(
        self, node: st.WhenNode
    ) -> tuple[tuple[Action, ...] | None, dict[str, Condition] | None]:
        actions: list[Action | None] = []
        endings: dict[str, Condition | None] = {}
        repeated: Span | None = None
        for step in node.steps:
            if isinstance(step, st.EndingNode):
                if step.kind.type in endings:
                    self.findings.add(
                        "twice", f"`{step.kind.text} when` stands twice in this rule",
                        step.kind.span, Mend("join the two with `or`"),
                    )  # fmt: skip
                endings[step.kind.type] = self._condition(step.when)
                continue
            if endings:
                self.findings.add(
                    "misplaced", "an action stands below `stop when` or `rearm when`",
                    step.span, Mend("let those two stand at the end of the rule"),
                )  # fmt: skip
            if repeated is not None:
                self.findings.add(
                    "misplaced", "what stands below `again every` waits until the rule is no longer"
                    " true", repeated, Mend("put this line below the others"),
                )  # fmt: skip
            actions.append(found := action(step, self.scope))
            repeated = step.span if isinstance(found, Notify) and found.again else None
        if not actions:
            self.findings.add(
                "unexpected", "this rule has no action", node.word.span,
                Mend("say what is to be done, such as `drain to 80 %`"),
            )  # fmt: skip
            return None, None
        sound = tuple(found for found in actions if found is not None)
        ends = {kind: when for kind, when in endings.items() if when is not None}
        return (
            sound if len(sound) == len(actions) else None,
            ends if len(ends) == len(endings) else None,
        )

    # ---- at the end of the file --------------------------------------------------------------

    def unused(self) -> None:
        """Lets and groups that nothing asks for, and settings that replace nothing."""
        for name, (kind, span) in self.defined.items():
            if name not in self.scope.used:
                self.findings.add(
                    "unused-name", f"`{kind} {name}` is not used in this file", span,
                    Mend("use it or leave it out"),
                )  # fmt: skip

    def unknown_settings(self) -> None:
        """What `with` sets and the file does not have."""
        for name, override in self.overrides.items():
            if name not in self.scope.lets:
                self.findings.add(
                    "unknown-name", f"the file taken in has no `let {name}`", override.span,
                    try_name(name, self.scope.lets) or Mend("leave it out"),
                )  # fmt: skip


def _selector_of(clause: st.ClauseNode) -> s.SelectorNode | None:
    what = clause.what
    return what if isinstance(what, (s.OnePackNode, s.SomePacksNode)) else None


def _count(node: s.ConditionNode) -> int:
    match node:
        case s.AllNode(parts, _) | s.AnyNode(parts, _):
            return sum(_count(part) for part in parts)
        case s.NotNode(part, _) | s.ParenNode(part, _):
            return _count(part)
        case s.HoldNode(part=part) | s.SamplesNode(part=part):
            return _count(part)
        case s.CompareNode(left=left, right=right):
            return 1 + _counted(left) + _counted(right)
        case s.BetweenNode(value=value) | s.CrossesNode(value=value):
            return 1 + _counted(value)
        case _:
            return 1


def _counted(node: s.ValueNode) -> int:
    return _count(node.where) if isinstance(node, s.NumberOfPacksNode) else 0

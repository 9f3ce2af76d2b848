"""The front door's work: files in; one checked plan, or what is wrong with the text, out.

Knows how files take in one another. Does not know where files lie: `fetch` does.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TypeAlias

from carerules.domain.condition import PERSON_EVENTS
from carerules.domain.diagnostic import Diagnostic, Mend, Severity, Span
from carerules.domain.frozen import guarded
from carerules.domain.plan import Never, Plan, Rule
from carerules.domain.scenario import Scenario
from carerules.domain.signal import Catalogue
from carerules.lang import statements as st
from carerules.lang import syntax as s
from carerules.lang.check import check_names, check_over
from carerules.lang.findings import Findings, nearest
from carerules.lang.limits import FILES_MAX, FINDINGS_MAX, RULES_MAX, USE_DEPTH_MAX
from carerules.lang.memo import Memo
from carerules.lang.resolve import FileResolver, Override, rule_name
from carerules.lang.scan import Item, scan
from carerules.lang.scenario import scenario
from carerules.lang.scope import Names, Scope

Fetch: TypeAlias = Callable[[str], str | None]
Offered: TypeAlias = Callable[[], Iterable[str]]


@guarded
class Loaded:
    """What the files come to; `plan` is None when there is an error. Warnings are included.

    `scenarios`: those of all files, in the order of the text; none when there is an error.
    """

    plan: Plan | None
    diagnostics: tuple[Diagnostic, ...]
    sources: Mapping[str, str]
    scenarios: tuple[Scenario, ...] = ()


def no_file(_name: str) -> str | None:
    """Of who takes in no other file."""
    return None


def load(
    files: Mapping[str, str], *, catalogue: Catalogue, names: Names = Names(),  # noqa: B008 - frozen
    fetch: Fetch = no_file, offered: Offered = tuple, memo: Memo | None = None,
) -> Loaded:  # fmt: skip
    """The plan of these files and of all that they take in, in the order of the text.

    Never raises for anything that stands in a file. `fetch` gives the text of a file named in
    `use`, exactly as it is written there, or None; `offered` the names that it would give a text
    for, asked only where it gave none. `memo`: for files that are loaded again and
    again, as while they are written.
    """
    memo = memo or Memo()
    loading = _Loading(catalogue, names, fetch, offered, memo)
    for name, text in files.items():
        loading.read(name, text)
    for name in files:
        loading.resolve_top(name)
    memo.turn()
    return loading.finished()


@dataclass(slots=True)
class _Read:
    """One file, parsed: its statements, and what its unreadable ones would have defined."""

    statements: list[st.StatementNode] = field(default_factory=list)
    lost: dict[str, set[str]] = field(default_factory=lambda: {"rule": set(), "let": set(),
                                                               "group": set()})  # fmt: skip
    torn: bool = False


_DEFINES = re.compile(r"\s*(rule|let|group)[^\w\n]+([^\W\d][\w-]*)")
_NAMES = re.compile(r"[^\W\d][\w-]*")
_NAMELESS = frozenset({"when", "never", "use", "scenario"})
DEFINED_WORDS = 3
"""A name stands among the first words of what it names, one of them misspelt or doubled."""
_MARKS = re.compile(r"\bmark\s+([^\W\d][\w-]*)")


class _Loading:
    """All files on their way to one plan."""

    def __init__(
        self, catalogue: Catalogue, names: Names, fetch: Fetch, offered: Offered, memo: Memo
    ) -> None:
        self.catalogue, self.names, self.memo = catalogue, names, memo
        self.fetch, self.offered = fetch, offered
        self.findings = Findings()
        self.sources: dict[str, str] = {}
        self.files: dict[str, _Read] = {}
        self.rule_count = 0
        self.events = set(PERSON_EVENTS)
        self.taken: dict[str, dict[str, object]] = {}
        self.rules: list[Rule] = []
        self.nevers: list[Never] = []
        self.scenarios: list[Scenario] = []
        self.scenario_names: dict[str, Span] = {}
        self.over: dict[str, tuple[s.Word, ...]] = {}

    # ---- reading -----------------------------------------------------------------------------

    def read(self, name: str, text: str, trail: tuple[str, ...] = ()) -> None:
        """Parse a file, and those that it takes in."""
        self.sources[name] = text
        self.files[name] = read = _Read()
        for item in scan(text, name, self.findings):
            if self.findings.full or self._too_many_rules(item):
                read.torn = True
                return
            node = self.memo.parse(item, self.findings)
            if node is None:
                self._lost(item, read)
                continue
            read.statements.append(node)
            if isinstance(node, st.RuleNode):
                self.events |= {
                    step.what.text for step in node.when.steps
                    if isinstance(step, st.ActionNode) and step.kind.type == "MARK"
                    and isinstance(step.what, s.Word)
                }  # fmt: skip
            elif isinstance(node, st.UseNode):
                self._take_in(node, (*trail, name))

    def _too_many_rules(self, item: Item) -> bool:
        if not item.rows[0].lstrip().startswith(("rule", "when", "never")):
            return False
        self.rule_count += 1
        if self.rule_count == RULES_MAX + 1:
            row = item.rows[0]
            self.findings.add(
                "too-many", f"at most {RULES_MAX} rules are read, over all files",
                Span(item.file, item.line, 1, item.line, 1 + max(1, len(row.split(" ")[0]))),
                Mend("name packs by tag or group instead of one by one"),
            )  # fmt: skip
        return self.rule_count > RULES_MAX

    def _lost(self, item: Item, read: _Read) -> None:
        """What an unreadable statement would have defined is not missed a second time."""
        read.torn = True
        if (found := _DEFINES.match(item.rows[0])) is not None:
            read.lost[found[1]].add(found[2])
        elif (words := _NAMES.findall(item.rows[0])) and words[0] not in _NAMELESS:
            for names in read.lost.values():  # what it was to be is unknown
                names.update(words[:DEFINED_WORDS])
        self.events |= set(_MARKS.findall(item.text))

    def _take_in(self, node: st.UseNode, trail: tuple[str, ...]) -> None:
        name = node.name.text
        if name in self.files and name not in trail:
            return
        text = self.fetch(name) if name not in trail else self.sources[name]
        if text is None:
            self.findings.add(
                "unknown-file", f"there is no rule file `{name}`", node.name.span,
                self._other_file(name, trail),
            )  # fmt: skip
        elif any(self.sources[above] == text for above in trail):
            ring = [*trail, name]
            self.findings.add(
                "circle", "these files take in one another: "
                + ", ".join(f"`{file}`" for file in ring[-6:]),
                node.name.span, Mend("leave one of the `use` out"),
            )  # fmt: skip
        elif len(self.files) >= FILES_MAX or len(trail) >= USE_DEPTH_MAX:
            self.findings.add(
                "too-many", f"at most {FILES_MAX} files are taken in, {USE_DEPTH_MAX} deep",
                node.name.span, Mend("put several of them together"),
            )  # fmt: skip
        else:
            self.read(name, text, trail)

    def _other_file(self, name: str, trail: tuple[str, ...]) -> Mend:
        """What a `use` may have meant that names no file."""
        others = [one for one in self.offered() if one not in trail]
        near = f"{name}.care" if f"{name}.care" in others else nearest(name, others)
        if near is None:
            return Mend('write the name of one that ships, such as `use "lipo"`, or of one beside'
                        " this file")  # fmt: skip
        safe = near.casefold() == name.casefold()
        return Mend(f'did you mean `use "{near}"`?', f'"{near}"', safe)

    # ---- resolving ---------------------------------------------------------------------------

    @cached_property
    def rule_names(self) -> frozenset[str]:
        """Of all files: known only when every file is read."""
        found = {
            rule_name(node) for read in self.files.values() for node in read.statements
            if isinstance(node, st.RuleNode)
        }  # fmt: skip
        return frozenset(found).union(*(read.lost["rule"] for read in self.files.values()))

    def resolve_top(self, name: str) -> None:
        """Resolve a file that was given, and those that it takes in, in the order of the text."""
        if name not in self.taken:
            self._resolve(name, {}, taken_in=False)

    def _resolve(self, name: str, overrides: Mapping[str, Override], *, taken_in: bool) -> None:
        read = self.files[name]
        self.taken[name] = {key: override.value for key, override in overrides.items()}
        scope = Scope(
            self.catalogue, self.names, frozenset(self.events), self.findings, taken_in=taken_in
        )
        scope.lets.update(dict.fromkeys(read.lost["let"]))
        scope.groups.update(dict.fromkeys(read.lost["group"]))
        resolver = FileResolver(scope, overrides)
        for node in read.statements:
            if self.findings.full:
                return
            match node:
                case st.UseNode():
                    self._use(node, resolver)
                case st.BindingNode() | st.GroupNode():
                    resolver.define(node)
                case st.NeverNode():
                    resolver.never(node)
                case st.RuleNode():
                    before = len(resolver.out.rules)
                    resolver.rule(node)
                    self.rules += resolver.out.rules[before:]
                case st.ScenarioNode():
                    self._scenario(node, scope)
        self.nevers += resolver.out.nevers
        self.over.update(resolver.out.over)
        resolver.unknown_settings()
        # Where something is wrong, it may be what would have used them.
        if not read.torn and not any(found.span.file == name for found in self.findings.all):
            resolver.unused()

    def _scenario(self, node: st.ScenarioNode, scope: Scope) -> None:
        name = node.name.text
        first = self.scenario_names.setdefault(name, node.name.span)
        if first != node.name.span:
            self.findings.add(
                "duplicate-name", f"there is another scenario `{name}`", node.name.span,
                Mend("find another name"), (f"the first `{name}` stands here", first),
            )  # fmt: skip
        self.scenarios.append(scenario(node, scope, self.rule_names))

    def _use(self, node: st.UseNode, resolver: FileResolver) -> None:
        settings: dict[str, Override] = {}
        for binding in node.bindings:
            if binding.name.text in settings:
                self.findings.add(
                    "twice", f"`{binding.name.text}` is set twice", binding.name.span,
                    Mend("leave one of them out"),
                )  # fmt: skip
            settings[binding.name.text] = Override(resolver.value_of(binding), binding.name.span)
        name = node.name.text
        if name not in self.files:
            return
        if name not in self.taken:
            self._resolve(name, settings, taken_in=True)
        elif self.taken[name] != {key: override.value for key, override in settings.items()}:
            self.findings.add(
                "taken-in-twice", f"`{name}` is taken in already, with other settings",
                node.name.span, Mend("take it in once, with the settings that are meant"),
            )  # fmt: skip

    # ---- the whole ---------------------------------------------------------------------------

    def finished(self) -> Loaded:
        """Check the rules against one another and put everything in order."""
        statements = [node for read in self.files.values() for node in read.statements]
        named = [
            (rule_name(node), node.name.span if node.name is not None else node.when.word.span)
            for node in statements if isinstance(node, st.RuleNode)
        ]  # fmt: skip
        lost = frozenset(name for read in self.files.values() for name in read.lost["rule"])
        known = check_names(named, lost, self.findings)
        check_over(self.over, known, self.findings)
        order = {file: place for place, file in enumerate(self.sources)}
        found = sorted(
            self.findings.all, key=lambda d: (order[d.span.file], d.span.line, d.span.column)
        )
        plan = None if self.findings.errors else Plan(tuple(self.rules), tuple(self.nevers))
        scenarios = () if plan is None else tuple(self.scenarios)
        return Loaded(plan, _cut(found), dict(self.sources), scenarios)


def _cut(found: list[Diagnostic]) -> tuple[Diagnostic, ...]:
    """At most so many, errors before warnings if there is no room for all."""
    if len(found) <= FINDINGS_MAX:
        return tuple(found)
    found = sorted(found, key=lambda d: d.severity is Severity.WARNING)[: FINDINGS_MAX - 1]
    last = Findings()
    last.add(
        "too-many", f"there is more than is shown here; the first {FINDINGS_MAX - 1} stand above",
        found[-1].span, Mend("mend these first"),
    )  # fmt: skip
    return (*found, *last.all)

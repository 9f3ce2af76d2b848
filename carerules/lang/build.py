"""From the grammar's reductions to the syntax tree: one method for each alternative.

Knows the order of words in each construct. Does not know the parser library, nor any meaning.
"""

# ruff: noqa: D102 - the grammar says what each alternative is

from __future__ import annotations

from typing import Any

from carerules.domain.diagnostic import Span
from carerules.lang import statements as st
from carerules.lang import syntax as s

Children = list[Any]


def joined(first: Span, last: Span) -> Span:
    """From the start of one to the end of the other."""
    return Span(first.file, first.line, first.column, last.end_line, last.end_column)


def _around(children: Children) -> Span:
    placed = [child for child in children if child.__class__ is not s.Word or child.type != "_NL"]
    return joined(placed[0].span, placed[-1].span)


def _words(children: Children, kind: str) -> tuple[s.Word, ...]:
    return tuple(c for c in children if isinstance(c, s.Word) and c.type == kind)


def _nodes(children: Children) -> Children:
    return [child for child in children if not isinstance(child, s.Word)]


class Builder:
    """Named as the grammar names its alternatives; each takes the children from left to right."""

    # ---- statements --------------------------------------------------------------------------

    def use(self, c: Children) -> st.UseNode:
        return st.UseNode(c[1], tuple(_nodes(c)), _around(c))

    def binding(self, c: Children) -> st.BindingNode:
        return st.BindingNode(c[0], c[1], c[2], _around(c))

    def let(self, c: Children) -> st.BindingNode:
        return st.BindingNode(c[1], c[2], c[3], _around(c))

    def group(self, c: Children) -> st.GroupNode:
        return st.GroupNode(c[1], c[3], _around(c))

    def never(self, c: Children) -> st.NeverNode:
        *selector, when = _nodes(c)
        return st.NeverNode(c[1], selector[0] if selector else None, when, _around(c))

    def rule(self, c: Children) -> st.RuleNode:
        clauses: list[st.ClauseNode] = []
        for node in _nodes(c)[:-1]:
            clauses += node if isinstance(node, list) else [node]
        return st.RuleNode(c[1], tuple(clauses), _nodes(c)[-1], _around(c))

    def bare_rule(self, c: Children) -> st.RuleNode:
        return st.RuleNode(None, (), c[0], c[0].span)

    def clause_line(self, c: Children) -> list[st.ClauseNode]:
        return _nodes(c)

    def clause_on(self, c: Children) -> st.ClauseNode:
        return st.ClauseNode(c[0], c[1], _around(c))

    def clause_over(self, c: Children) -> st.ClauseNode:
        return st.ClauseNode(c[0], _words(c, "NAME"), _around(c))

    def clause_because(self, c: Children) -> st.ClauseNode:
        return st.ClauseNode(c[0], c[1], _around(c))

    def when(self, c: Children) -> st.WhenNode:
        condition, *steps = _nodes(c)
        return st.WhenNode(c[0], condition, tuple(steps), _around(c))

    # ---- conditions --------------------------------------------------------------------------

    def any_of(self, c: Children) -> s.AnyNode:
        return s.AnyNode(tuple(_nodes(c)), _around(c))

    def all_of(self, c: Children) -> s.AllNode:
        return s.AllNode(tuple(_nodes(c)), _around(c))

    def not_of(self, c: Children) -> s.NotNode:
        return s.NotNode(c[1], _around(c))

    def held_for(self, c: Children) -> s.HoldNode:
        return s.HoldNode(c[0], c[1], c[2], _around(c))

    def held_in_last(self, c: Children) -> s.HoldNode:
        return s.HoldNode(c[0], c[1], c[3], _around(c))

    def in_samples(self, c: Children) -> s.SamplesNode:
        return s.SamplesNode(c[0], c[4], c[7], _around(c))

    def crosses(self, c: Children) -> s.CrossesNode:
        return s.CrossesNode(c[0], c[1], c[3], _around(c))

    def at_clock(self, c: Children) -> s.AtNode:
        return s.AtNode(c[1], _around(c))

    def compare(self, c: Children) -> s.CompareNode:
        return s.CompareNode(c[0], c[1], c[2], _around(c))

    def is_state(self, c: Children) -> s.StateNode:
        return s.StateNode(c[0], c[2], _around(c))

    def between(self, c: Children) -> s.BetweenNode:
        return s.BetweenNode(c[0], c[2], c[4], _around(c))

    def during(self, c: Children) -> s.WindowNode:
        window: s.WindowNode = c[1]
        return window

    def days(self, c: Children) -> s.DaysNode:
        return s.DaysNode(_words(c, "NAME"), _around(c))

    def paren(self, c: Children) -> s.ParenNode:
        return s.ParenNode(c[1], _around(c))

    # ---- values ------------------------------------------------------------------------------

    def signal(self, c: Children) -> s.SignalNode:
        return s.SignalNode(c[0])

    def time_since(self, c: Children) -> s.TimeSinceNode:
        return s.TimeSinceNode(c[2], _around(c))

    def time_until_use(self, c: Children) -> s.TimeUntilUseNode:
        return s.TimeUntilUseNode(_around(c))

    def count_since(self, c: Children) -> s.CountSinceNode:
        return s.CountSinceNode(c[1], c[3], _around(c))

    def count_in(self, c: Children) -> s.CountInNode:
        return s.CountInNode(c[1], c[4], _around(c))

    def over_window(self, c: Children) -> s.OverWindowNode:
        return s.OverWindowNode(c[0], c[2], c[4], _around(c))

    def number_of_packs(self, c: Children) -> s.NumberOfPacksNode:
        return s.NumberOfPacksNode(c[5], _around(c))

    def reference(self, c: Children) -> s.ReferenceNode:
        return s.ReferenceNode(c[0])

    def number(self, c: Children) -> s.NumberNode:
        if len(c) == 1:
            return s.NumberNode(((c[0], None),), _around(c))
        return s.NumberNode(tuple(zip(c[::2], c[1::2], strict=True)), _around(c))

    def window(self, c: Children) -> s.WindowNode:
        return s.WindowNode(c[0], c[2], _around(c))

    # ---- which packs -------------------------------------------------------------------------

    def one_pack(self, c: Children) -> s.OnePackNode:
        return s.OnePackNode(c[1], _around(c))

    def some_packs(self, c: Children) -> s.SomePacksNode:
        name = next(iter(_words(c, "NAME")), None)
        return s.SomePacksNode(name, next(iter(_nodes(c)), None), _around(c))

    def filter_any(self, c: Children) -> s.FilterGroupNode:
        return s.FilterGroupNode("any", tuple(_nodes(c)), _around(c))

    def filter_all(self, c: Children) -> s.FilterGroupNode:
        return s.FilterGroupNode("all", tuple(_nodes(c)), _around(c))

    def filter_none(self, c: Children) -> s.FilterGroupNode:
        return s.FilterGroupNode("none", (c[1],), _around(c))

    def filter_is(self, c: Children) -> s.FilterIsNode:
        return s.FilterIsNode(c[0], c[2], _around(c))

    def filter_tagged(self, c: Children) -> s.FilterIsNode:
        return s.FilterIsNode(c[0], c[1], _around(c))

    def filter_rated(self, c: Children) -> s.FilterRatedNode:
        return s.FilterRatedNode(c[0], c[1], c[2], _around(c))

    def filter_paren(self, c: Children) -> s.FilterNode:
        inner: s.FilterNode = c[1]
        return inner

    # ---- what is done ------------------------------------------------------------------------

    def action(self, c: Children) -> st.ActionNode:
        options = tuple(child for child in c if isinstance(child, st.OptionNode))
        plain = [child for child in c[1:] if not isinstance(child, st.OptionNode)]
        if plain and isinstance(plain[0], s.Word) and plain[0].type == "TO":
            del plain[0]
        return st.ActionNode(c[0], plain[0] if plain else None, options, _around(c))

    def ending(self, c: Children) -> st.EndingNode:
        return st.EndingNode(c[0], c[2], _around(c))

    def option(self, c: Children) -> st.OptionNode:
        return st.OptionNode(c[0], None if len(c) == 1 else c[-1], _around(c))

    # ---- scenarios ---------------------------------------------------------------------------

    def scenario(self, c: Children) -> st.ScenarioNode:
        return st.ScenarioNode(c[0], c[1], tuple(_nodes(c)), _around(c))

    def given_pack(self, c: Children) -> st.GivenPackNode:
        return st.GivenPackNode(c[2], tuple(_nodes(c)), _around(c))

    def trait(self, c: Children) -> st.TraitNode:
        return st.TraitNode(c[0], c[1], _around(c))

    def given(self, c: Children) -> st.GivenNode:
        *changes, last = _nodes(c)
        since = last if isinstance(last, st.MomentNode) else None
        return st.GivenNode((*changes, *([] if since else [last])), since, _around(c))

    def line(self, c: Children) -> st.LineNode:
        return st.LineNode(c[0], c[1], tuple(_nodes(c)[1:]), _around(c))

    def set(self, c: Children) -> st.SetNode:
        pack = c[0] if c[0].type == "NAME" else None
        return st.SetNode(pack, c[-3], c[-2], c[-1], _around(c))

    def occurs(self, c: Children) -> st.OccursNode:
        return st.OccursNode(c[0], c[1], _around(c))

    def planned(self, c: Children) -> st.PlannedNode:
        return st.PlannedNode(c[2], _words(c, "NAME"), _around(c))

    def moved(self, c: Children) -> st.MovedNode:
        return st.MovedNode(c[0], c[2], _around(c))

    def presence(self, c: Children) -> st.PresenceNode:
        return st.PresenceNode(c[0], _around(c))

    def expect(self, c: Children) -> st.ExpectNode:
        refused, absent = bool(_words(c, "REFUSED")), bool(_words(c, "NO"))
        if c[1].type == "NOTHING":
            pack = next(iter(_words(c, "NAME")), None)
            return st.ExpectNode(pack, c[1], None, refused, absent, _around(c))
        by = c[-1] if bool(_words(c, "BY")) else None
        return st.ExpectNode(c[1], c[3 if absent else 2], by, refused, absent, _around(c))

    def moment(self, c: Children) -> st.MomentNode:
        return st.MomentNode(c[0] if len(c) == 2 else None, c[-1], _around(c))

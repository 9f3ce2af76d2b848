"""From one change, or one expectation, of a scenario to its meaning.

Knows the packs of the scenario and the rules' names. Does not know when anything happens.
"""

from __future__ import annotations

from collections.abc import Set
from datetime import datetime
from typing import Literal, assert_never, cast

from carerules.domain import scenario as d
from carerules.domain.action import Action, Retire
from carerules.domain.diagnostic import Mend
from carerules.domain.quantity import SWITCH, Quantity
from carerules.domain.signal import Scope as SignalScope
from carerules.lang import statements as st
from carerules.lang import syntax as s
from carerules.lang.actions import action
from carerules.lang.conditions import in_range
from carerules.lang.findings import try_name
from carerules.lang.scope import Scope

_SAID = {
    "used": "use", "charged": "charge", "drained": "drain", "inspected": "inspection",
    "calibrated": "calibration", "swollen": "swelling",
}  # fmt: skip
"""What a person says of a pack, and the event that it is."""


class Happenings:
    """What stands on the lines of one scenario. Where a result is None, it is told already."""

    def __init__(self, scope: Scope, packs: Set[str], rules: frozenset[str]) -> None:
        self.scope, self.findings = scope, scope.findings
        self.packs, self.rules = packs, rules

    def pack(self, word: s.Word) -> str | None:
        """A pack that the scenario gives."""
        if word.text in self.packs:
            return word.text
        self.findings.add(
            "unknown-pack", f"this scenario has no pack `{word.text}`", word.span,
            try_name(word.text, self.packs) or Mend(f"give it above: `given pack {word.text}`"),
        )  # fmt: skip
        return None

    # ---- changes -----------------------------------------------------------------------------

    def change(self, node: st.ChangeNode, planned: datetime | None) -> d.Change | None:
        """One change; `planned` is when a planned use begins."""
        match node:
            case st.SetNode():
                return self._set(node)
            case st.OccursNode(name, word, _) if word.text == "present":
                self.findings.add(
                    "unknown-word", f"found `{name.text}`, wanted `somebody` or `nobody`",
                    name.span, Mend("write `somebody`", "somebody"),
                )  # fmt: skip
                return None
            case st.OccursNode(name, word, _):
                pack = self.pack(name)
                event = self._event(word)
                return None if pack is None or event is None else d.Occurs(pack, event)
            case st.PlannedNode(_, names, _):
                packs = [self.pack(name) for name in names]
                found = frozenset(pack for pack in packs if pack is not None)
                return None if planned is None or None in packs else d.UseAt(planned, found)
            case st.MovedNode(name, where, _):
                pack = self.pack(name)
                return None if pack is None else d.Moved(pack, where.type == "A")
            case st.PresenceNode(who, _):
                return d.Presence(who.type == "SOMEBODY")
            case _:
                assert_never(node)

    def _event(self, word: s.Word) -> str | None:
        if word.text in _SAID and word.text not in self.scope.events:
            return _SAID[word.text]
        return self.scope.event(word)

    def _set(self, node: st.SetNode) -> d.Set | None:
        name = None if node.pack is None else self.pack(node.pack)
        row = self.scope.catalogue.get(node.signal.text)
        if row is None:
            self.scope.unknown_signal(node.signal)
            return None
        if (row.scope is SignalScope.SITE) != (node.pack is None):
            site = row.scope is SignalScope.SITE
            whose = "the site's, and no pack's" if site else "a pack's, and no pack is named"
            mend = "leave the pack out" if site else f"write it as `heron {row.name}`"
            self.findings.add("misplaced", f"`{row.name}` is {whose}", node.signal.span, Mend(mend))
            return None
        unknown = isinstance(node.value, s.Word) and node.value.type == "UNKNOWN"
        value = None if unknown else self._value(node, row.name)
        if (value is None and not unknown) or (name is None and node.pack is not None):
            return None
        return d.Set(name, row.name, value)

    def _value(self, node: st.SetNode, signal: str) -> Quantity | None:
        dimension = self.scope.catalogue[signal].dimension
        if isinstance(node.value, s.Word):
            if dimension == SWITCH:
                return Quantity(float(node.value.type == "ON"), SWITCH)
            self.findings.add(
                "not-a-switch", f"`{signal}` is a number, and is neither on nor off", node.span,
                Mend(f"write its value, such as `{signal} = 1 {dimension.unit}`"),
            )  # fmt: skip
            return None
        if dimension == SWITCH:
            self.findings.add(
                "not-a-switch", f"`{signal}` is either on or off", node.span,
                Mend(f"write `{signal} is on` or `{signal} is off`"),
            )  # fmt: skip
            return None
        if node.sign.text != "=":
            self.findings.add(
                "unexpected", f"found `{node.sign.text}`, wanted `=`", node.sign.span,
                Mend("a scenario gives one value: write `=`", "="),
            )  # fmt: skip
        value = self.scope.amount(node.value, dimension, f"`{signal}`")
        if value is None or not in_range(signal, value, node.value, self.scope):
            return None
        return value

    # ---- expectations ------------------------------------------------------------------------

    def expectation(self, node: st.ExpectNode) -> d.Expectation | None:
        """What is expected by the end of a line."""
        pack = None if node.pack is None else self.pack(node.pack)
        if isinstance(node.what, s.Word) and node.what.type == "NOTHING":
            return None if pack is None and node.pack is not None else d.ExpectNothing(pack)
        asked = node.by
        what: Action | str | None
        if isinstance(node.what, s.Word):
            what = node.what.text
        else:
            asked, doing = _without_rule(node.what)
            what = action(doing, self.scope)
            if what == Retire():
                what = "retire"  # for whatever reason
        rule = None if asked is None else self._rule(asked)
        if pack is None or what is None or (rule is None and asked is not None):
            return None
        if node.refused:
            return d.ExpectRefusal(pack, cast(Literal["drain", "charge"], what))
        return d.ExpectJob(pack, what, rule, node.absent)

    def _rule(self, word: s.Word) -> str | None:
        if word.text in self.rules:
            return word.text
        self.findings.add(
            "unknown-rule", f"unknown rule `{word.text}`", word.span,
            try_name(word.text, self.rules) or Mend("leave it out"),
        )  # fmt: skip
        return None


def _without_rule(node: st.ActionNode) -> tuple[s.Word | None, st.ActionNode]:
    """The rule that an expected action names, and the action without it."""
    rules = [option.rule for option in node.options if option.rule is not None]
    plain = tuple(option for option in node.options if option.what not in rules[:1])
    return (rules[0] if rules else None), st.ActionNode(node.kind, node.what, plain, node.span)

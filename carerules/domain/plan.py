"""Checked rules: what lang makes of text and what the engine runs.

Knows rules. Does not know text, positions (beyond a rule's own), time or values.
"""

from __future__ import annotations

from hashlib import sha256
from typing import Literal, TypeAlias

from carerules.domain.action import Action
from carerules.domain.condition import Condition
from carerules.domain.diagnostic import Span
from carerules.domain.frozen import guarded
from carerules.domain.selector import Selector


@guarded
class Rule:
    """A care rule. `over` names the rules that give way to it where both want the pack."""

    name: str
    selector: Selector
    when: Condition
    actions: tuple[Action, ...]
    span: Span
    over: frozenset[str] = frozenset()
    because: str = ""
    stop_when: Condition | None = None
    rearm_when: Condition | None = None

    @property
    def key(self) -> str:
        """Fingerprint of when it fires: selector, condition, re-arming; no name, no text."""
        meaning = repr((self.selector, self.when, self.rearm_when))
        return sha256(meaning.encode()).hexdigest()[:16]

    @property
    def stop_key(self) -> str:
        """Fingerprint of what ends its jobs early; empty: nothing does."""
        if self.stop_when is None:
            return ""
        return sha256(repr(self.stop_when).encode()).hexdigest()[:16]


Forbidden: TypeAlias = Literal["charge", "drain"]


@guarded
class Never:
    """An interlock of the author's own: it can only forbid, on the pessimistic bound."""

    action: Forbidden
    selector: Selector
    when: Condition
    span: Span

    @property
    def key(self) -> str:
        """Fingerprint of what it forbids, to whom and when; not of where it stands."""
        meaning = repr((self.action, self.selector, self.when))
        return sha256(meaning.encode()).hexdigest()[:16]


@guarded
class Plan:
    """All rules of a site, checked, in the order of the text."""

    rules: tuple[Rule, ...] = ()
    nevers: tuple[Never, ...] = ()

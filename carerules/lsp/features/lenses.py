"""A line above each rule: for which packs it would fire now, and for which when.

Knows rules as they are written, and what a journal makes of those that were saved. Does not know
how that was found out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from carerules.domain.frozen import guarded
from carerules.domain.moment import SECOND, show_duration
from carerules.domain.plan import Rule
from carerules.domain.wording import wording
from carerules.lsp.features.sight import Sight
from carerules.lsp.text import Range
from carerules.report import NeverShape, RuleShape, WhyShape

PACKS_SHOWN = 3
"""Packs named for each answer; the rest is counted, so that the line stays a line."""
OBSTACLE_CHARS_MAX = 60


@guarded
class Outlook:
    """What the journal says of the rules as they were saved.

    `rules`: by a rule's key, what is so for each pack that it takes in. `nevers`: likewise, by what
    it forbids and its condition in words. `why`: for each pack all of it. `at`: the moment.
    """

    site: str
    at: datetime
    rules: Mapping[str, Sequence[tuple[str, RuleShape]]]
    nevers: Mapping[tuple[str, str], Sequence[tuple[str, NeverShape]]]
    why: Mapping[str, WhyShape]


@guarded
class Lens:
    """A line above a rule. `rule`: its key, to ask why; empty where there is nothing to ask."""

    range: Range
    text: str
    rule: str = ""


def lenses(sight: Sight, outlook: Outlook | str) -> list[Lens]:
    """A line for each rule and `never` of the document; none where it has an error.

    `outlook` is a sentence where no journal could be read: it stands above the first rule.
    """
    plan = sight.loaded.plan
    if plan is None:
        return []
    rules = [rule for rule in plan.rules if rule.span.file == sight.file]
    nevers = [never for never in plan.nevers if never.span.file == sight.file]
    if isinstance(outlook, str):
        spans = [*(rule.span for rule in rules), *(never.span for never in nevers)]
        first = min(spans, key=lambda span: span.line, default=None)
        return [] if first is None else [Lens(sight.document.range_of(first), outlook)]
    found = [Lens(sight.document.range_of(rule.span), *_rule(rule, outlook)) for rule in rules]
    for never in nevers:
        states = outlook.nevers.get((never.action, wording(never.when)))
        if states is not None:
            start = sight.document.range_of(never.span.start)
            found.append(Lens(start, _never(never.action, states)))
    return found


def _rule(rule: Rule, outlook: Outlook) -> tuple[str, str]:
    states = outlook.rules.get(rule.key)
    if states is None:
        return f"not among the rules of {outlook.site} as they are saved", ""
    if not states:
        return "takes in no pack of the site", ""
    return rule_line(states, outlook.at), rule.key


def rule_line(states: Sequence[tuple[str, RuleShape]], at: datetime) -> str:
    """`would fire now for heron, in 4 h for egret; has fired for coot; not for 3 packs`."""
    now: list[str] = []
    later: list[tuple[float, str]] = []
    fired: list[str] = []
    unknown: list[str] = []
    no: list[str] = []
    for pack, shape in states:
        if shape.fires_at is not None and shape.fires_at <= at:
            now.append(pack + _in_its_way(shape))
        elif shape.fires_at is not None:
            later.append(((shape.fires_at - at).total_seconds(), pack))
        elif shape.fired:
            fired.append(pack)
        elif shape.holds == "unknown":
            unknown.append(pack)
        else:
            no.append(pack)
    soon = [f"in {_time(seconds)} for {pack}" for seconds, pack in sorted(later)[:PACKS_SHOWN]]
    if len(later) > PACKS_SHOWN:
        soon.append(f"later for {len(later) - PACKS_SHOWN} more")
    fires = [f"now for {_some(now)}"] * bool(now) + soon
    parts = [f"would fire {', '.join(fires)}"] * bool(fires)
    parts += [f"has fired for {_some(fired)}"] * bool(fired)
    parts += [f"unknown for {_some(unknown)}"] * bool(unknown)
    parts += [f"not for {_some(no)}"] * bool(no)
    return "; ".join(parts)


def _in_its_way(shape: RuleShape) -> str:
    if shape.obstacle is None:
        return ""
    what = shape.obstacle.what
    if len(what) > OBSTACLE_CHARS_MAX:
        what = f"{what[: OBSTACLE_CHARS_MAX - 3]}..."
    return f" (in its way: {what})"


def _never(forbids: str, states: Sequence[tuple[str, NeverShape]]) -> str:
    packs = {
        holds: [pack for pack, shape in states if shape.holds == holds]
        for holds in ("yes", "unknown", "no")
    }
    parts = [f"forbids to {forbids} now: {_some(packs['yes'])}"] * bool(packs["yes"])
    said = f"cannot be ruled out, so forbids: {_some(packs['unknown'])}"
    parts += [said] * bool(packs["unknown"])
    parts += [f"does not hold for {_some(packs['no'])}"] * bool(packs["no"])
    return "; ".join(parts) or "takes in no pack of the site"


def _some(packs: Iterable[str]) -> str:
    names = list(packs)
    if len(names) <= PACKS_SHOWN:
        return ", ".join(names)
    return f"{', '.join(names[:PACKS_SHOWN])} and {len(names) - PACKS_SHOWN} more"


def _time(seconds: float) -> str:
    return show_duration(max(1, round(seconds)) * SECOND)

"""When each rule would have fired on a tape: by algebra where that covers it, else by the engine.

Knows rules and packs. Does not know what was done about a firing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from functools import cache
from typing import NamedTuple

import numpy as np

from carerules.domain.frozen import guarded
from carerules.domain.moment import Moment
from carerules.domain.pack import Pack
from carerules.domain.plan import Plan, Rule
from carerules.domain.selector import Selector, selects
from carerules.domain.signal import Catalogue
from carerules.replay.conditions import Past, uncovered
from carerules.replay.online import fire_online
from carerules.replay.steps import fires, fires_rearmed
from carerules.replay.tape import Axis, Bools, Ints, Tape


class Firing(NamedTuple):
    """A rule's condition became true for a pack."""

    pack: str
    rule: str
    at: Moment


@guarded
class Replayed:
    """All firings in order of time, and why some rules went through the engine, by rule."""

    firings: tuple[Firing, ...]
    online: Mapping[str, str] = field(default_factory=dict)


def covers(rule: Rule) -> str:
    """Why the algebra does not cover the rule; empty: it does."""
    why = uncovered(rule.when)
    return why or (uncovered(rule.rearm_when) if rule.rearm_when is not None else "")


def replay(plan: Plan, packs: Mapping[str, Pack], tape: Tape, signals: Catalogue) -> Replayed:
    """Each firing of each rule for each pack that it selects."""
    past, online = Past(tape, signals), dict[str, str]()
    found: list[Firing] = []

    @cache
    def chosen_by(selector: Selector) -> Bools:
        return np.array([selects(selector, packs[name]) for name in tape.packs], bool)

    for rule in plan.rules:
        why = covers(rule)
        places = None if why else _places(rule, past, tape.axis)
        if places is None:
            online[rule.name] = why or OVERLAP
            continue
        number, moment = tape.axis.pack(places), tape.axis.moment(places)
        chosen = chosen_by(rule.selector)
        kept = chosen[number]
        names = [tape.packs[at] for at in number[kept].tolist()]
        moments = moment[kept].tolist()
        found += (Firing(name, rule.name, at) for name, at in zip(names, moments, strict=True))
    if online:
        asked = tuple(rule for rule in plan.rules if rule.name in online)
        fired = fire_online(Plan(asked, ()), packs, tape, signals)
        found += (Firing(pack, name, at) for name, pack, at in fired if name in online)
    return Replayed(tuple(sorted(found, key=lambda one: (one.at, one.pack, one.rule))), online)


OVERLAP = "its `rearm when` is true together with it"
"""Then it matters which of them has been no since it fired, and that is gone through in order."""


def _places(rule: Rule, past: Past, axis: Axis) -> Ints | None:
    """Where the rule fires; None: only the engine can say."""
    if rule.rearm_when is None:
        return fires(axis, past.steps(rule.when))
    return fires_rearmed(axis, past.steps(rule.when), past.steps(rule.rearm_when))

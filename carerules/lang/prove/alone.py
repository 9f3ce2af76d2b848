"""Verdicts about one rule or one `never`: whether it can be true at all, and whether ever false.

Knows the ground. Does not know other rules.
"""

from __future__ import annotations

from carerules.domain.plan import Never, Rule
from carerules.lang.prove.box import TooMuch
from carerules.lang.prove.ground import Ground
from carerules.lang.prove.verdict import (
    AlwaysTrue,
    IdleRearm,
    NeverTrue,
    OnlyAtFirst,
    Undecided,
)
from carerules.lang.prove.witness import Maybe


def idle_rearm(ground: Ground, rule: Rule) -> IdleRearm | Undecided | None:
    """Whether its `rearm when` holds nothing back; None: it has none, or it holds something."""
    if rule.rearm_when is None or (ground.packs is not None and not ground.selected(rule)):
        return None
    try:
        apart = ground.find_both(ground.true(rule), ground.regions.false(rule.rearm_when))
    except TooMuch as much:
        return Undecided(rule, "whether its `rearm when` holds anything back", str(much))
    return IdleRearm(rule) if apart in (Maybe.NO, Maybe.AT_FIRST) else None


def alone(
    ground: Ground, what: Rule | Never
) -> NeverTrue | OnlyAtFirst | AlwaysTrue | Undecided | None:
    """What is wrong with it by itself; None: nothing.

    One that selects no pack of the site is left alone: a file that is taken in may speak of packs
    that this site does not have.
    """
    if ground.packs is not None and not ground.selected(what):
        return None
    question = "whether it can ever be true"
    try:
        can_be = ground.find(ground.true(what))
        if can_be is Maybe.NO:
            return NeverTrue(what)
        if can_be is Maybe.AT_FIRST:
            return OnlyAtFirst(what)
        if can_be is Maybe.UNSURE:
            return Undecided(what, question, "its values hang together in a way unknown here")
        question = "whether it is always true"
        can_be_false = ground.find(ground.regions.false(what.when))
        return AlwaysTrue(what) if can_be_false in (Maybe.NO, Maybe.AT_FIRST) else None
    except TooMuch as much:
        return Undecided(what, question, str(much))

"""Rivals: two rules that can be true together for one pack, with different aims and no `over`.

Knows the ground. Does not know how the engine picks one; it counts a direct `over` only, and so
does this. Every pair is looked at, most of them only by three bounds.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from carerules.domain.plan import Rule
from carerules.lang.prove.axes import PACK, SOC, UNTIL
from carerules.lang.prove.box import Box, TooMuch
from carerules.lang.prove.ground import Aim, Ground, aim_of, moves_energy, starting
from carerules.lang.prove.ranges import Range, hull
from carerules.lang.prove.verdict import Rivals, Undecided
from carerules.lang.prove.witness import Maybe, Witness

RIVALS_MAX = 300
"""Pairs that are told: who has more mends these first."""
BOUNDED = (PACK, SOC, UNTIL)
"""What tells most pairs apart at a glance."""


class _Wanting(NamedTuple):
    """A rule that wants the pack, where it does, and between what bounds on the three axes."""

    rule: Rule
    aim: Aim
    boxes: Sequence[Box]
    bounds: tuple[Range, ...]


def rivals(ground: Ground, rules: Sequence[Rule]) -> Iterator[Rivals | Undecided]:
    """Every pair of rivals, in the order of the text."""
    wanting: list[_Wanting] = []
    for rule in rules:
        aim = aim_of(rule)
        if not aim:
            continue
        try:
            boxes = starting(ground, rule)
        except TooMuch as much:
            yield Undecided(rule, "which rules it meets", str(much))
            continue
        if boxes:
            wanting.append(_Wanting(rule, aim, boxes, _bounds(ground, boxes)))
    told = 0
    energy = {one.rule.name: moves_energy(one.rule) for one in wanting}
    for at, one in enumerate(wanting):
        for other in wanting[at + 1 :]:
            if one.aim == other.aim or not (energy[one.rule.name] or energy[other.rule.name]):
                continue
            if other.rule.name in one.rule.over or one.rule.name in other.rule.over:
                continue
            if _far_apart(one.bounds, other.bounds):
                continue
            for found in _meeting(ground, one, other):
                yield found
                told += 1
            if told >= RIVALS_MAX:
                why = f"{told} pairs are told already"
                yield Undecided(one.rule, "which more rules are rivals", why)
                return


def _meeting(ground: Ground, one: _Wanting, other: _Wanting) -> Iterator[Rivals | Undecided]:
    question = "whether the two can be true together"
    try:
        found = ground.find_both(one.boxes, other.boxes)
    except TooMuch as much:
        yield Undecided(one.rule, question, str(much), other.rule)
        return
    if isinstance(found, Witness):
        yield Rivals(one.rule, other.rule, found)
    elif found is Maybe.UNSURE:
        why = "their values hang together in a way unknown here"
        yield Undecided(one.rule, question, why, other.rule)


def _bounds(ground: Ground, boxes: Sequence[Box]) -> tuple[Range, ...]:
    found: list[Range] = []
    for axis in BOUNDED:
        whole = ground.axes.rows[axis].natural
        ends = [hull(box.at.get(axis, whole)) for box in boxes if box.at.get(axis, whole)]
        found.append((min(start for start, _ in ends), max(end for _, end in ends)))
    return tuple(found)


def _far_apart(a: tuple[Range, ...], b: tuple[Range, ...]) -> bool:
    return any(
        one[1] <= other[0] or other[1] <= one[0] for one, other in zip(a, b, strict=True)
    )  # fmt: skip

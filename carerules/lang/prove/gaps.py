"""Gaps: where a full pack may sit, by charge and time until use, with no rule that drains it.

Knows the ground. A rule *acts* on a field of the table when there it is true whatever the other
values are; it acts *sometimes* when it depends on them. The fields are as wide as the rules' own
limits, neighbours that are alike are put together.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import NamedTuple

from carerules.domain.action import Ask, Chore, Drain, Notify
from carerules.domain.moment import NEVER, show_duration
from carerules.domain.pack import FULL_PERCENT
from carerules.domain.plan import Rule
from carerules.lang.prove.axes import PACK, SOC, UNTIL, Motion
from carerules.lang.prove.box import At, Box, TooMuch, meet_at
from carerules.lang.prove.ground import Ground
from carerules.lang.prove.ranges import Cut, Range, Ranges, each_of, hull, span, whole_numbers
from carerules.lang.prove.verdict import Gap

KINDS_MAX = 16
"""Kinds of packs in the table: more are not read."""
FIELDS_MAX = 400
"""Fields a kind: twenty limits of charge by twenty of time."""

Word = tuple[frozenset[str], frozenset[str], frozenset[str]]


class _Acting(NamedTuple):
    """A rule that drains, or tells somebody, and where."""

    rule: Rule
    drains: bool
    boxes: Sequence[Box]


def gaps(ground: Ground, rules: Sequence[Rule]) -> Iterator[Gap]:
    """For each kind of pack (those for which the same rules hold), where nothing drains it."""
    acting = list(_acting(ground, rules))
    for name, label in _kinds(ground, rules):
        there = [
            _Acting(one.rule, one.drains, boxes)
            for one in acting
            if (boxes := [box for box in one.boxes if meet_at(box.at, label) is not None])
        ]
        yield from _of_kind(ground, name, label, there)


def _acting(ground: Ground, rules: Sequence[Rule]) -> Iterator[_Acting]:
    full: At = {SOC: span(FULL_PERCENT, 100)}
    for rule in rules:
        drains = any(isinstance(one, Drain) and one.target < FULL_PERCENT for one in rule.actions)
        tells = any(isinstance(one, (Notify, Chore, Ask)) for one in rule.actions)
        if not drains and not tells:
            continue
        try:
            boxes = [box for box in ground.true(rule) if meet_at(box.at, full) is not None]
        except TooMuch:
            continue  # told elsewhere: not decided
        yield _Acting(rule, drains, boxes)


def _kinds(ground: Ground, rules: Sequence[Rule]) -> Iterator[tuple[str, At]]:
    if ground.packs is None:
        yield "any pack", {}
        return
    everyone = ground.axes.rows[PACK].natural
    held = [
        {number for box in ground.selected(rule) for number in each_of(box.at.get(PACK, everyone))}
        for rule in {rule.selector: rule for rule in rules}.values()
    ]
    seen: dict[tuple[bool, ...], list[int]] = {}
    for number in range(len(ground.packs)):
        seen.setdefault(tuple(number in some for some in held), []).append(number)
    for numbers in list(seen.values())[:KINDS_MAX]:
        names = ", ".join(ground.packs[number].name for number in numbers[:6])
        more = f" and {len(numbers) - 6} more" if len(numbers) > 6 else ""
        yield names + more, {PACK: span(numbers[0], numbers[0])}


def _of_kind(ground: Ground, name: str, label: At, acting: Sequence[_Acting]) -> Iterator[Gap]:
    charges = _fields(acting, SOC, span(FULL_PERCENT, 100))
    times = _fields(acting, UNTIL, span(0, NEVER))
    times = [one for time in times for one in whole_numbers((time,))]
    if len(charges) * len(times) > FIELDS_MAX:
        return
    words: dict[tuple[int, int], Word] = {}
    for i, charge in enumerate(charges):
        for j, time in enumerate(times):
            field: At = {**label, SOC: (charge,), UNTIL: (time,)}
            words[i, j] = _in_field(ground, field, acting)
    for rows in _alike(words, len(charges), len(times)):
        for first, last in _runs(words, rows, len(times)):
            always, partly, told = words[rows[0], first]
            if always:
                continue
            yield Gap(
                name, _show_charge(charges[rows[0]][0], charges[rows[-1]][1]),
                _show_time(times[first][0], times[last][1]), tuple(sorted(partly)),
                tuple(sorted(told)),
            )  # fmt: skip


def _in_field(ground: Ground, field: At, acting: Sequence[_Acting]) -> Word:
    always: set[str] = set()
    partly: set[str] = set()
    told: set[str] = set()
    for one in acting:
        for box in one.boxes:
            ground.work.spend()
            if meet_at(box.at, field) is None:
                continue
            if not one.drains:
                if SOC in box.at:  # it speaks of the charge
                    told.add(one.rule.name)
            elif _whatever_else(ground, box, field):
                always.add(one.rule.name)
            else:
                partly.add(one.rule.name)
    return frozenset(always), frozenset(partly - always), frozenset(told)


def _whatever_else(ground: Ground, box: Box, field: At) -> bool:
    """Whether the box says nothing of any other value, and holds in all of the field.

    A `for` over the charge runs full while the pack sits; one over the time until use may not.
    """
    if box.loose or box.at_first:
        return False
    if any(not past.always or UNTIL in at for past in box.past for at in past.ats):
        return False
    for axis, ranges in box.at.items():
        if ground.axes.rows[axis].motion is Motion.STATIC:
            continue
        inside = field.get(axis)
        if inside is None or meet_at({axis: ranges}, {axis: inside}) != {axis: inside}:
            return False
    return True


def _fields(acting: Sequence[_Acting], axis: int, whole: Ranges) -> list[Range]:
    """The axis cut at every limit that some rule has on it."""
    (start, end) = hull(whole)
    cuts: set[Cut] = {start, end}
    for one in acting:
        for box in one.boxes:
            for ends in box.at.get(axis, ()):
                cuts |= {cut for cut in ends if start < cut < end}
    ordered = sorted(cuts)
    return list(pairwise(ordered))


def _alike(words: Mapping[tuple[int, int], Word], rows: int, columns: int) -> Iterator[list[int]]:
    """Neighbouring rows that say the same all along."""
    run: list[int] = []
    for row in range(rows):
        if run and any(words[row, at] != words[run[-1], at] for at in range(columns)):
            yield run
            run = []
        run.append(row)
    if run:
        yield run


def _runs(
    words: Mapping[tuple[int, int], Word], rows: Sequence[int], columns: int
) -> Iterator[tuple[int, int]]:
    first = 0
    for at in range(1, columns + 1):
        if at == columns or words[rows[0], at] != words[rows[0], first]:
            yield first, at - 1
            first = at


def _show_charge(low: Cut, high: Cut) -> str:
    start = f"above {low[0]:.4g} %" if low[1] else f"from {low[0]:.4g} %"
    return f"{start} to {high[0]:.4g} %" if high[1] else f"{start} to below {high[0]:.4g} %"


def _show_time(low: Cut, high: Cut) -> str:
    after = show_duration(round(low[0]))
    if high[0] >= NEVER:
        return "any" if low[0] <= 0 and not low[1] else f"from {after} on, or none planned"
    return f"up to {show_duration(round(high[0]))}" if low[0] <= 0 else (
        f"{after} to {show_duration(round(high[0]))}"
    )  # fmt: skip

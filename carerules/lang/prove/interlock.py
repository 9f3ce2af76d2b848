"""Interlock proofs: each action that moves energy against each `never` of it.

Knows the ground, and from when to when an action may run. The model, which `MODEL` says in words:
an action on a rule's first line starts only while the rule is true, a later one at any time after;
once it runs, it goes on whatever becomes of the rule's condition.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from carerules.domain.action import Charge, Drain
from carerules.domain.plan import Never, Rule
from carerules.lang.prove.axes import CLOCK, SOC, Motion
from carerules.lang.prove.box import At, Box, Region, TooMuch, meet_regions, within
from carerules.lang.prove.ground import Ground, forbidden_kind
from carerules.lang.prove.ranges import Cut, Ranges, hull, meet, span
from carerules.lang.prove.region import day_times
from carerules.lang.prove.verdict import Interlocked, Meeting
from carerules.lang.prove.witness import Answer, Maybe, Witness

MODEL = (
    "while a drain runs, the charge lies between its target and the highest at which its rule"
    " fires (a charge: from the lowest at which it fires); where other lines come first, up to"
    " 100 % (down to 0 %)",
    "a line in first place starts only while its rule is true; a later one, and all that follows"
    " the start, may see any values",
    "capacity, health, resistance and imbalance stay as they are when the rule fires; the age"
    " grows",
    "`during` and `stop when` of the action hold; readings are known, and have been for as long as"
    " is looked back on, and are taken at their word: one that is unknown, or within two spreads of"
    " a limit, makes the interlock step in all the same",
)


class _Run(NamedTuple):
    """Where an action may start, and where it may be while it runs."""

    start: Region
    run: Region


def interlocked(
    ground: Ground, rules: Sequence[Rule], nevers: Sequence[Never]
) -> Iterator[Interlocked]:
    """Each action that moves energy of each rule, against each `never` of it."""
    for rule in rules:
        for line, action in enumerate(rule.actions):
            kind = forbidden_kind(action)
            against = [never for never in nevers if never.action == kind]
            if kind is None or not against:
                continue
            try:
                run = _run(ground, rule, line)
            except TooMuch:
                yield from (Interlocked(rule, line, n, Meeting.UNDECIDED) for n in against)
                continue
            if not run.start:
                continue  # nothing to move wherever it fires, or it holds for no pack
            judged = [_judge(ground, rule, line, run, never) for never in against]
            found = [one for one in judged if one is not None]
            yield from found
            blocking = [one for one in found if one.meeting is Meeting.AT_START]
            if len(blocking) > 1 and not any(one.meeting is Meeting.ALWAYS for one in found):
                yield from _together(ground, rule, line, run, blocking)


def _judge(
    ground: Ground, rule: Rule, line: int, run: _Run, never: Never
) -> Interlocked | None:  # fmt: skip
    """None: they hold for no pack in common."""
    try:
        forbids = ground.true(never)
        overlap = meet_regions(ground.selected(rule), ground.selected(never), ground.work)
        if not overlap:
            return None
        at_start, by_cells = _found(ground, run.start, forbids)
        if isinstance(at_start, Witness):
            spared = ground.find_both(run.start, ground.allowed(never))
            meeting = Meeting.ALWAYS if spared is Maybe.NO else Meeting.AT_START
            return Interlocked(rule, line, never, meeting, at_start, by_cells)
        later, by_cells_too = _found(ground, run.run, forbids)
    except TooMuch:
        return Interlocked(rule, line, never, Meeting.UNDECIDED)
    by_cells = by_cells or by_cells_too
    if isinstance(later, Witness):
        return Interlocked(rule, line, never, Meeting.LATER, later, by_cells)
    unsure = Maybe.UNSURE in (at_start, later)
    meeting = Meeting.UNDECIDED if unsure else Meeting.APART
    return Interlocked(rule, line, never, meeting, by_cells=by_cells)


def _found(ground: Ground, run: Region, forbids: Region) -> tuple[Answer, bool]:
    """A state in which both are so, and whether the cells' model had a say in it."""
    answer = ground.find_both(run, forbids)
    if answer is Maybe.NO or not ground.cells:
        return answer, False
    by_cells = ground.find_both_by_cells(run, forbids)
    return (answer, False) if by_cells is None else (by_cells, True)


def _together(
    ground: Ground, rule: Rule, line: int, run: _Run, blocking: Sequence[Interlocked]
) -> Iterator[Interlocked]:
    """Whether several that leave a way each leave none together."""
    left: Region = run.start
    try:
        for one in blocking:
            assert one.never is not None
            left = meet_regions(left, ground.allowed(one.never), ground.work)
        if ground.find(left) is Maybe.NO:
            yield Interlocked(rule, line, None, Meeting.ALWAYS, blocking[0].witness)
    except TooMuch:
        yield Interlocked(rule, line, None, Meeting.UNDECIDED)


# ---- from when to when an action runs ----------------------------------------------------------


def _run(ground: Ground, rule: Rule, line: int) -> _Run:
    fires = ground.true(rule)
    action = rule.actions[line]
    going = [
        Box(at, loose=box.loose, at_first=box.at_first)
        for box in fires
        if all((at := _while_it_runs(ground, box.at, action, first=line == 0)).values())
    ]
    if rule.stop_when is not None:
        going = meet_regions(going, ground.regions.false(rule.stop_when), ground.work)
    if line:
        return _Run(going, going)
    work = ground.work
    start = within(fires, {axis: r for axis, r in _bounds(action).items() if r}, work)
    if rule.stop_when is not None:
        start = meet_regions(start, ground.regions.false(rule.stop_when), work)
    return _Run(start, going)


def _bounds(action: object) -> dict[int, Ranges]:
    """Where the line has something to do, and may do it."""
    found: dict[int, Ranges] = {}
    if isinstance(action, Drain):
        found[SOC] = span(action.target, 100, open_low=True)
    elif isinstance(action, Charge):
        found[SOC] = span(0, action.target, open_high=True)
    if isinstance(action, (Drain, Charge)) and action.window is not None:
        found[CLOCK] = day_times(action.window)
    return found


def _while_it_runs(ground: Ground, fires: At, action: object, *, first: bool) -> At:
    """What must be so at any moment of the run of an action whose rule fired in a box."""
    at: dict[int, Ranges] = {}
    for axis, ranges in fires.items():
        row = ground.axes.rows[axis]
        if row.motion in (Motion.FIXED, Motion.STATIC):
            at[axis] = ranges
        elif row.motion is Motion.AGEING:
            at[axis] = meet(row.natural, ((ranges[0][0], (float("inf"), 0)),))
    at.update(_bounds(action))
    if first and SOC in fires and SOC in at:
        low, high = hull(fires[SOC])
        empty: Cut = (0.0, 0)
        full: Cut = (100.0, 1)
        reach = (empty, high) if isinstance(action, Drain) else (low, full)
        at[SOC] = meet(at[SOC], (reach,))
    return at

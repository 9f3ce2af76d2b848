"""A plan for a terminal: the moves first, then each station, and a time line.

Knows the shape. Does not know worlds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta

from carerules.domain.pack import Side
from carerules.planner.shapes import (
    KeptLeftOutShape,
    KeptMoveShape,
    KeptPlanShape,
    KeptRunShape,
    KeptShape,
    LeftOutShape,
    MoveShape,
    PlanShape,
    RunShape,
)
from carerules.report import WIDTH, fold, show_at, wish

NAMES = 11
BAR = WIDTH - NAMES - 2
SIGNS = {"load": "-", "charger": "+"}


def plan_lines(plan: PlanShape) -> list[str]:
    """The plan in words, at most 80 columns wide."""
    head = f"plan from {show_at(plan.begins)} to {show_at(plan.ends)}, by the {plan.made_by}"
    lines = fold("", head + _after(": ", proof_words(plan)))
    by_hand = plan.moves or plan.readings
    lines += ["", "to do by hand" if by_hand else "nothing is to be done by hand"]
    for at, words in _by_hand(plan):
        lines += fold(f"  {show_at(at)}  ", words)
    lines += _station_lines(plan)
    lines += _left_out_lines(plan.left_out)
    if plan.runs:
        lines += ["", *_time_line(plan)]
    cost = plan.cost
    lines += ["", *fold("", f"cost {cost.total_percent:.3f} % of one pack's capacity: lying "
                        f"{cost.ageing_percent:.3f}, moves {cost.moves_percent:.3f}, energy "
                        f"{cost.energy_percent:.3f}, left out {cost.left_out_percent:.3f}; "
                        f"{cost.energy_wh:.0f} Wh at the wall")]  # fmt: skip
    for remark in plan.remarks:
        lines += fold("note: ", remark)
    return lines


def _by_hand(plan: PlanShape) -> list[tuple[datetime, str]]:
    """What people do, in order; of one moment the moves first: what is read hangs there then."""
    doings = [(move.at, 0, move_words_of(move)) for move in plan.moves]
    doings += [(one.at, 1, reading_words(one.pack)) for one in plan.readings]
    return [(at, words) for at, _, words in sorted(doings)]


def kept_lines(kept: KeptShape) -> list[str]:
    """The kept plan against what is so, at most 80 columns wide."""
    plan = kept.plan
    if plan is None:
        return ["no plan is kept: `carerules plan --keep` makes one and keeps it"]
    head = f"plan to {show_at(plan.ends)}, kept by {plan.by}; "
    made = f"made {show_at(plan.made)} by the {plan.made_by}"
    lines = fold("", head + made + _after(": ", proof_words(plan)))
    for one in plan.because:
        lines += fold("made anew: ", one)
    for one in plan.differences:
        lines += fold("it no longer fits: ", one)
    by_hand = sorted(_kept_by_hand(kept.now, plan))
    lines += ["", "to do by hand" if by_hand else "nothing is to be done by hand"]
    for _, _, when, words in by_hand:
        lines += fold(f"  {when:23}  ", words)
    lines += _station_lines(plan)
    lines += _left_out_lines(plan.left_out)
    if plan.runs:
        lines += ["", *_time_line(plan)]
    for remark in plan.remarks:
        lines += fold("note: ", remark)
    return lines


def _kept_by_hand(now: datetime, plan: KeptPlanShape) -> Iterator[tuple[datetime, int, str, str]]:
    """What people do, each with its moment, its place among those of one moment, and when said."""
    for move in plan.moves:
        yield move.at, 0, _move_when(move, now), move_words_of(move)
    for run in plan.runs:
        if run.read:
            yield run.begins, 1, _reading_when(run), reading_words(run.pack)


def _reading_when(run: KeptRunShape) -> str:
    return f"at {show_at(run.begins)}" if run.done is None else "done"


def _move_when(move: KeptMoveShape, now: datetime) -> str:
    if move.done is not None:
        return f"done {show_at(move.done)}"
    return f"now, by {show_at(move.at)}" if move.told <= now else f"by {show_at(move.at)}"


def reading_words(pack: str) -> str:
    """What a person does between two stages of a drain that nobody sees."""
    return f"read {pack}'s voltage and enter it: its drain goes on"


def move_words_of(move: MoveShape) -> str:
    """`put heron on B, in place of egret`."""
    off = f", in place of {move.off}" if move.off else ""
    return f"put {move.pack} on {move.station}{off}"


def _station_lines(plan: PlanShape | KeptPlanShape) -> Iterator[str]:
    for station in plan.stations:
        runs = [run for run in plan.runs if run.station == station]
        yield from ("", f"station {station}" + ("" if runs else ": nothing"))
        for run in runs:
            done = run.done if isinstance(run, KeptRunShape) else None
            over = "" if done is None else f"; over {show_at(done)}"
            head = f"  {show_at(run.begins)} to {run.ends:%H:%M}  "
            yield from fold(head, run_words(run) + over)


def _left_out_lines(left_out: Sequence[LeftOutShape | KeptLeftOutShape]) -> Iterator[str]:
    if left_out:
        yield from ("", *fold("", "not all of it can be had; the cheapest to do without:"))
    for one in left_out:
        yield from fold("  ", _left_out_words(one), 4)


def proof_words(plan: PlanShape | KeptPlanShape) -> str:
    """What is proved of its price; empty: nothing."""
    if plan.gap_percent is None:
        return ""
    if plan.gap_percent == 0:
        return "proved the cheapest"
    return f"at most {plan.gap_percent:.2g} % above the cheapest"


def _after(mark: str, words: str) -> str:
    return f"{mark}{words}" if words else ""


def run_words(run: RunShape) -> str:
    """`heron drain to 80 % (full-too-long, by Sat 05 Dec 08:00)`."""
    return f"{run.pack} {goal_words(run)}{_for(run.rule, run.use, run.due)}"


def goal_words(one: RunShape | LeftOutShape) -> str:
    """`drain to 80 %`."""
    return f"{Side(one.side).verb} to {one.target_percent:g} %"


def _for(rule: str | None, use: str | None, due: datetime | None) -> str:
    why = [wish(rule)] if rule else []
    why += [f"use {use}"] if use else []
    why += [f"by {show_at(due)}"] if due else []
    return f" ({', '.join(why)})" if why else ""


def _left_out_words(one: LeftOutShape) -> str:
    return f"{one.pack} {goal_words(one)}{_for(one.rule, one.use, one.due)}: {one.why}"


# ---- the time line ---------------------------------------------------------------------------


def _time_line(plan: PlanShape | KeptPlanShape) -> Iterator[str]:
    whole_s = (plan.ends - plan.begins).total_seconds()

    def column(at: datetime) -> int:
        return min(BAR, max(0, round((at - plan.begins).total_seconds() / whole_s * BAR)))

    yield f"{'':{NAMES}} {_hours(plan, column)}".rstrip()
    for station in plan.stations:
        cells = [" "] * BAR
        for spell in plan.asleep:
            cells[column(spell.begins) : column(spell.ends)] = "." * (
                column(spell.ends) - column(spell.begins)
            )
        for run in plan.runs:
            if run.station == station:
                first = min(column(run.begins), BAR - 1)
                wide = max(1, column(run.ends) - first)
                cells[first : first + wide] = _block(run, wide)
        yield f"{station[: NAMES - 1]:>{NAMES - 1}} |{''.join(cells)}|"
    marks = [" "] * BAR
    for move in plan.moves:
        marks[min(column(move.at), BAR - 1)] = "^"
    for run in plan.runs:
        if run.read:
            marks[min(column(run.begins), BAR - 1)] = "r"
    yield f"{'by hand':>{NAMES - 1}} |{''.join(marks)}|"
    yield f"{'':{NAMES}} - drains  + charges  . nobody awake  ^ a pack is moved  r it is read"


def _block(run: RunShape, wide: int) -> str:
    """As much of the name as has room, between its signs."""
    sign = SIGNS[run.side]
    if wide < 4:
        return sign * wide
    return f"{sign}{run.pack[: wide - 2]}".ljust(wide, sign)


def _hours(plan: PlanShape | KeptPlanShape, column: Callable[[datetime], int]) -> str:
    cells = [" "] * (BAR + 1)
    for at in _ticks(plan):
        label, place = f"{at:%H}", column(at)
        if place + 2 <= len(cells) and all(c == " " for c in cells[max(0, place - 1) : place + 2]):
            cells[place : place + 2] = label
    return "".join(cells)


def _ticks(plan: PlanShape | KeptPlanShape) -> Sequence[datetime]:
    """Each third hour of the clock, by the wall."""
    at = plan.begins.replace(minute=0)
    found = []
    while at <= plan.ends:
        if at >= plan.begins and at.hour % 3 == 0:
            found.append(at)
        at += timedelta(hours=1)
    return found

"""What the page says of the kept plan: a pure function of its shape.

Knows the shape, and which sheet fits which screen. Does not know HTML but for the drawings.
"""

from __future__ import annotations

from datetime import datetime

from carerules.board.packrow import Mood, Note
from carerules.domain.frozen import guarded
from carerules.planner import (
    NARROW,
    WIDE,
    KeptPlanShape,
    KeptShape,
    drawn_on,
    move_words_of,
    proof_words,
    reading_words,
    run_words,
)
from carerules.planner.shapes import KeptMoveShape, KeptRunShape
from carerules.report import show_at

SOON_MAX = 3
"""Moves in the short form of the plan on the page of all packs."""


@guarded
class MoveRow:
    """A move: how it stands, when, and what is to be done."""

    mood: Mood
    when: str
    words: str


@guarded
class LaneRow:
    """One station, and what runs there."""

    station: str
    runs: tuple[MoveRow, ...]


@guarded
class PlanView:
    """The kept plan: what it is, what is wrong with it, what people do, stations, two drawings."""

    head: str
    made: str
    notes: tuple[Note, ...]
    without: tuple[Note, ...]
    soon: tuple[MoveRow, ...]
    more: int
    by_hand: tuple[MoveRow, ...]
    lanes: tuple[LaneRow, ...]
    remarks: tuple[str, ...]
    wide: str
    narrow: str


def plan_view(kept: KeptShape) -> PlanView | None:
    """All that is said of the kept plan; None: none is kept."""
    plan = kept.plan
    if plan is None:
        return None
    by_hand = _by_hand(plan, kept.now)
    left = tuple(row for row in by_hand if row.mood != "rest")
    # To the minute, so that a page that nothing happens on stays as it is.
    now = kept.now.replace(second=0, microsecond=0)
    return PlanView(
        head=f"to {show_at(plan.ends)}, kept by {plan.by}",
        made=_made(plan),
        notes=tuple(Note("look", f"it no longer fits: {one}") for one in plan.differences),
        without=tuple(Note("look", one.words) for one in plan.left_out),
        soon=left[:SOON_MAX],
        more=len(left) - len(left[:SOON_MAX]),
        by_hand=by_hand,
        lanes=tuple(
            LaneRow(name, tuple(_run(run, kept.now) for run in plan.runs if run.station == name))
            for name in plan.stations
        ),
        remarks=tuple(plan.remarks),
        wide=drawn_on(WIDE, plan, kept.site, now=now),
        narrow=drawn_on(NARROW, plan, kept.site, now=now),
    )


def _made(plan: KeptPlanShape) -> str:
    said = [f"made {show_at(plan.made)} by the {plan.made_by}", proof_words(plan)]
    said += [f"because {plan.because[0]}"] if plan.because else []
    return ", ".join(words for words in said if words)


def _by_hand(plan: KeptPlanShape, now: datetime) -> tuple[MoveRow, ...]:
    """What people do, in order; of one moment the moves first: what is read hangs there then."""
    doings = [(one.at, 0, _move(one, now)) for one in plan.moves]
    doings += [(one.begins, 1, _reading(one, now)) for one in plan.runs if one.read]
    return tuple(row for _, _, row in sorted(doings, key=lambda one: one[:2]))


def _reading(run: KeptRunShape, now: datetime) -> MoveRow:
    words = reading_words(run.pack)
    if run.done is not None:
        return MoveRow("rest", "done", words)
    return MoveRow("look" if run.begins <= now else "wait", f"at {show_at(run.begins)}", words)


def _move(move: KeptMoveShape, now: datetime) -> MoveRow:
    words = move_words_of(move)
    if move.done is not None:
        return MoveRow("rest", f"done {show_at(move.done)}", words)
    mood: Mood = "look" if move.told <= now else "wait"
    return MoveRow(mood, f"by {show_at(move.at)}", words)


def _run(run: KeptRunShape, now: datetime) -> MoveRow:
    words = run_words(run)
    when = f"{show_at(run.begins)} to {run.ends:%H:%M}"
    if run.done is not None:
        return MoveRow("rest", when, f"{words}: over {show_at(run.done)}")
    return MoveRow("work" if run.begins <= now else "wait", when, words)

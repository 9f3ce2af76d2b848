"""A plan as one SVG: a lane for each station, what runs there, and when somebody has to come.

Knows the shape and SVG. Colour only helps: each run says its pack and its goal in words, and a
charge has slanted lines that a drain has not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from typing import TypeAlias

from carerules.domain.frozen import guarded
from carerules.planner.lines import goal_words, move_words_of
from carerules.planner.shapes import (
    KeptMoveShape,
    KeptPlanShape,
    KeptRunShape,
    MoveShape,
    PlanShape,
    RunShape,
)
from carerules.report import show_at
from carerules.report.markup import Markup, tag

Plan: TypeAlias = PlanShape | KeptPlanShape

RIGHT, LANE, FOOT = 24.0, 44.0, 34.0
LETTER = 6.2
"""Usual width of a letter at 11 px: a name that has no room is only in the title of its run."""


@guarded
class Sheet:
    """What it is drawn on, in px: its width, room for the stations' names beside their lanes (or,
    `above`, above each), and how many hours are written at most."""

    name: str
    wide: float
    left: float
    ticks: int
    above: float = 0.0


WIDE = Sheet("wide", 960.0, 90.0, 16)
NARROW = Sheet("narrow", 300.0, 6.0, 5, above=18.0)
"""A phone: nothing is shrunk, there is less of it."""

STYLE = (
    ".plan-drawing text{font:11px sans-serif;fill:#1b1b1b}.plan-drawing .mid{text-anchor:middle}"
    ".plan-drawing .end{text-anchor:end}.plan-drawing .load{fill:#f2d9a6;stroke:#7a5200}"
    ".plan-drawing .charger{stroke:#0b4a6f}.plan-drawing .paper{fill:#cfe6f5}"
    ".plan-drawing .slant{stroke:#8dbcd8}.plan-drawing .asleep{fill:#e6e6ea}"
    ".plan-drawing .grid{stroke:#b8b8c0;stroke-width:.5}.plan-drawing .lane{fill:none;"
    "stroke:#8a8a92}.plan-drawing .move{fill:#1b1b1b}.plan-drawing .made{fill:none;stroke:#1b1b1b}"
    ".plan-drawing .now{stroke:#9a3412;stroke-width:2}"
)


def plan_drawing(plan: Plan, site: str) -> Markup:
    """The plan as an SVG document of its own."""
    return drawn_on(WIDE, plan, site, tag("style", Markup(STYLE)))


def drawn_on(
    sheet: Sheet, plan: Plan, site: str, style: Markup | None = None, now: datetime | None = None
) -> Markup:
    """The plan on a sheet; without a style of its own the page that it is put into has one. `now`:
    marked, where it lies in the plan."""
    top = 46.0 if style is not None else 22.0
    lane = LANE + sheet.above
    high = top + lane * max(1, len(plan.stations)) + (FOOT if style is not None else 6.0)
    floor = top + lane * max(1, len(plan.stations))
    whole_s = (plan.ends - plan.begins).total_seconds()

    def x(at: datetime) -> float:
        share = (at - plan.begins).total_seconds() / whole_s
        return sheet.left + (sheet.wide - sheet.left - RIGHT) * min(1.0, max(0.0, share))

    stretch = f"{show_at(plan.begins)} to {show_at(plan.ends)}"
    parts = [tag("title", f"plan of {site}, {stretch}"), style, _slant(sheet)]
    if style is not None:
        head = f"{site}: {stretch}, by the {plan.made_by}"
        parts.append(tag("text", head, x=sheet.left, y=16))
    for spell in plan.asleep:
        left, right = x(spell.begins), x(spell.ends)
        parts.append(tag("rect", tag("title", "nobody is awake"), x=left, y=top,
                         width=right - left, height=floor - top, class_="asleep"))  # fmt: skip
    for at in _ticks(plan, sheet.ticks):
        parts.append(tag("line", x1=x(at), x2=x(at), y1=top, y2=floor + 4, class_="grid"))
        label = f"{at:%a %d}" if at.hour == 0 else f"{at:%H:%M}"
        parts.append(tag("text", label, x=x(at), y=top - 6, class_="mid"))
    for number, station in enumerate(plan.stations):
        parts += _lane(sheet, plan, station, top + lane * number, x)
    if now is not None and plan.begins <= now <= plan.ends:
        parts.append(tag("line", tag("title", f"now, {show_at(now)}"), x1=x(now), x2=x(now),
                         y1=top - 4, y2=floor + 4, class_="now"))  # fmt: skip
    if style is not None:
        parts.append(tag("text", LEGEND, x=sheet.left, y=high - 12))
    return tag("svg", *parts, viewBox=f"0 0 {sheet.wide:.0f} {high:.0f}", role="img",
               class_=f"plan-drawing {sheet.name}", xmlns="http://www.w3.org/2000/svg")  # fmt: skip


LEGEND = (
    "slanted: charges; plain: drains; grey: nobody is awake; ▲ a pack is put on the station by"
    " hand; ◆ its voltage is read and entered"
)


def _slant(sheet: Sheet) -> Markup:
    paper = tag("rect", width=8, height=8, class_="paper")
    stroke = tag("path", d="M0,8 L8,0", class_="slant")
    return tag("defs", tag("pattern", paper, stroke, id=f"slant-{sheet.name}", width=8, height=8,
                           patternUnits="userSpaceOnUse"))  # fmt: skip


def _lane(
    sheet: Sheet, plan: Plan, station: str, top: float, x: Callable[[datetime], float]
) -> Iterator[Markup]:
    """One station: its name, what runs there, and the moves to it."""
    if sheet.above:
        yield tag("text", f"station {station}", x=sheet.left, y=top + sheet.above - 4)
    else:
        yield tag("text", station, x=sheet.left - 8, y=top + LANE / 2 + 4, class_="end")
    top += sheet.above
    yield tag("rect", x=sheet.left, y=top, width=sheet.wide - sheet.left - RIGHT, height=LANE,
              class_="lane")  # fmt: skip
    for run in plan.runs:
        if run.station == station:
            yield from _run(sheet, run, x(run.begins), x(run.ends), top + 6)
    for move in plan.moves:
        if move.station == station:
            yield _move(move, x(move.at), top + LANE)


def _run(sheet: Sheet, run: RunShape, left: float, right: float, top: float) -> Iterator[Markup]:
    said = f"{run.pack}: {goal_words(run)}, {show_at(run.begins)} to {run.ends:%H:%M}"
    fill = f"url(#slant-{sheet.name})" if run.side == "charger" else None
    yield tag("rect", tag("title", said), x=left, y=top, width=max(2.0, right - left),
              height=LANE - 14, class_=run.side, fill=fill)  # fmt: skip
    if run.read:
        yield _reading(run, left, top - 6)
    for line, words in enumerate((run.pack, f"to {run.target_percent:g}\N{NO-BREAK SPACE}%")):
        if len(words) * LETTER <= right - left:
            yield tag("text", words, x=(left + right) / 2, y=top + 12 + 12 * line, class_="mid")


def _move(move: MoveShape, at: float, floor: float) -> Markup:
    """A mark at the foot of the lane; hollow once it is made."""
    made = isinstance(move, KeptMoveShape) and move.done is not None
    said = f"{show_at(move.at)} {move_words_of(move)}{', done' if made else ''}"
    shape = f"M{at - 4:.1f},{floor:.1f} h8 l-4,-7 Z"
    path = tag("path", d=shape, class_="made" if made else "move")
    return tag("g", tag("title", said), path)


def _reading(run: RunShape, at: float, roof: float) -> Markup:
    """A mark at the top of the lane, where a stage of an unseen drain begins; hollow once it is
    over."""
    made = isinstance(run, KeptRunShape) and run.done is not None
    said = f"{show_at(run.begins)} read {run.pack}'s voltage and enter it"
    path = tag("path", d=f"M{at:.1f},{roof:.1f} l4,4 l-4,4 l-4,-4 Z",
               class_="made" if made else "move")  # fmt: skip
    return tag("g", tag("title", said), path)


def _ticks(plan: Plan, ticks_max: int) -> list[datetime]:
    """Whole hours of the wall, so few that their labels have room."""
    hours = (plan.ends - plan.begins).total_seconds() / 3_600
    steps = (1, 2, 3, 6, 12, 24)
    step = next((step for step in steps if hours / step <= ticks_max), 24)
    at, found = plan.begins.replace(minute=0, second=0, microsecond=0), []
    while at <= plan.ends:
        if at >= plan.begins and at.hour % step == 0:
            found.append(at)
        at += timedelta(hours=1)
    # Of a week on a phone only each second or third day.
    return found[:: max(1, -(-len(found) // (ticks_max + 1)))]

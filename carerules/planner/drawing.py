"""A plan as one SVG: a lane for each station, what runs there, and when somebody has to come.

Knows the shape and SVG. Colour only helps: each run says its pack and its goal in words, and a
charge has slanted lines that a drain has not.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from carerules.planner.shapes import KeptPlanShape, PlanShape, RunShape
from carerules.report import show_at
from carerules.report.markup import Markup, tag

WIDE, LEFT, RIGHT, TOP, LANE, FOOT = 960.0, 90.0, 24.0, 46.0, 44.0, 34.0
LETTER = 6.2
"""Usual width of a letter at 11 px: a name that has no room is only in the title of its run."""
TICKS_MAX = 16
STYLE = (
    "text{font:11px sans-serif;fill:#1b1b1b}.mid{text-anchor:middle}.end{text-anchor:end}"
    ".head{font-size:13px}.load{fill:#f2d9a6;stroke:#7a5200}.charger{fill:url(#slant);"
    "stroke:#0b4a6f}.asleep{fill:#e6e6ea}.grid{stroke:#b8b8c0;stroke-width:.5}.lane{fill:none;"
    "stroke:#8a8a92}.move{fill:#1b1b1b}"
)


def plan_drawing(plan: PlanShape | KeptPlanShape, site: str) -> Markup:
    """The plan as an SVG document."""
    whole_s = (plan.ends - plan.begins).total_seconds()
    high = TOP + LANE * max(1, len(plan.stations)) + FOOT

    def x(at: datetime) -> float:
        share = (at - plan.begins).total_seconds() / whole_s
        return LEFT + (WIDE - LEFT - RIGHT) * min(1.0, max(0.0, share))

    floor = high - FOOT
    parts = [
        tag("title", f"plan of {site}, {show_at(plan.begins)} to {show_at(plan.ends)}"),
        tag("style", Markup(STYLE)), _slant(),
        tag("text", f"{site}: {show_at(plan.begins)} to {show_at(plan.ends)}, by the "
            f"{plan.made_by}", x=LEFT, y=16, class_="head"),
        *(tag("rect", tag("title", "nobody is awake"), x=x(spell.begins), y=TOP,
              width=x(spell.ends) - x(spell.begins), height=floor - TOP, class_="asleep")
          for spell in plan.asleep),
    ]  # fmt: skip
    for at in _ticks(plan):
        parts.append(tag("line", x1=x(at), x2=x(at), y1=TOP, y2=floor + 4, class_="grid"))
        label = f"{at:%a %d}" if at.hour == 0 else f"{at:%H:%M}"
        parts.append(tag("text", label, x=x(at), y=TOP - 6, class_="mid"))
    for number, station in enumerate(plan.stations):
        top = TOP + LANE * number
        parts.append(tag("rect", x=LEFT, y=top, width=WIDE - LEFT - RIGHT, height=LANE,
                         class_="lane"))  # fmt: skip
        parts.append(tag("text", station, x=LEFT - 8, y=top + LANE / 2 + 4, class_="end"))
        for run in plan.runs:
            if run.station == station:
                parts += _run(run, x(run.begins), x(run.ends), top + 6)
        for move in plan.moves:
            if move.station == station:
                said = f"{show_at(move.at)} hang {move.pack} on {move.station}"
                off = f", in place of {move.off}" if move.off else ""
                mark = f"M{x(move.at) - 4:.1f},{top + LANE:.1f} h8 l-4,-7 Z"
                path = tag("path", d=mark, class_="move")
                parts.append(tag("g", tag("title", said + off), path))
    parts.append(tag("text", "slanted: charges; plain: drains; grey: nobody is awake; "
                     "▲ a pack is hung on the station by hand", x=LEFT, y=high - 12))  # fmt: skip
    return tag("svg", *parts, viewBox=f"0 0 {WIDE:.0f} {high:.0f}", role="img",
               xmlns="http://www.w3.org/2000/svg")  # fmt: skip


def _slant() -> Markup:
    stroke = tag("path", d="M0,0 H8 V8 H0 Z M0,8 L8,0", fill="#cfe6f5", stroke="#8dbcd8")
    return tag("defs", tag("pattern", stroke, id="slant", width=8, height=8,
                           patternUnits="userSpaceOnUse"))  # fmt: skip


def _run(run: RunShape, left: float, right: float, top: float) -> list[Markup]:
    goal = f"{'drain' if run.side == 'load' else 'charge'} to {run.target_percent:g} %"
    said = f"{run.pack}: {goal}, {show_at(run.begins)} to {run.ends:%H:%M}"
    drawn = [tag("rect", tag("title", said), x=left, y=top, width=max(2.0, right - left),
                 height=LANE - 14, class_=run.side)]  # fmt: skip
    for line, words in enumerate((run.pack, f"to {run.target_percent:g} %")):
        if len(words) * LETTER <= right - left:
            drawn.append(
                tag("text", words, x=(left + right) / 2, y=top + 12 + 12 * line, class_="mid")
            )
    return drawn


def _ticks(plan: PlanShape | KeptPlanShape) -> list[datetime]:
    """Whole hours of the wall, so few that their labels have room."""
    hours = (plan.ends - plan.begins).total_seconds() / 3_600
    step = next(step for step in (1, 2, 3, 6, 12, 24) if hours / step <= TICKS_MAX or step == 24)
    at, found = plan.begins.replace(minute=0, second=0, microsecond=0), []
    while at <= plan.ends:
        if at >= plan.begins and at.hour % step == 0:
            found.append(at)
        at += timedelta(hours=1)
    return found

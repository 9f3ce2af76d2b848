"""Small drawings for a page that is read on paper, too: a charge over time, and time at levels.

Knows shapes and SVG. Does not know which page they stand on. Colour only helps: every value stands
beside its mark in words.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

from carerules.report.markup import Markup, joined, tag
from carerules.report.month_shapes import LevelTimeShape, MarkShape, MeasureShape, PointShape

WIDE, HIGH = 720.0, 150.0
LEFT, RIGHT, TOP, FOOT = 40.0, 8.0, 8.0, 34.0
LINES = (0, 50, 80, 100)
"""Levels with a line of their own: half and four fifths are where care begins."""
SAID_FROM = 7.0
"""A share of the bar (%) below this has no room for its words."""


def charge_chart(
    path: Sequence[PointShape], marks: Sequence[MarkShape], begins: datetime, ends: datetime,
    name: str,
) -> Markup:  # fmt: skip
    """The charge of one pack from `begins` to `ends`: its likely course, twice its spread to
    either side, gaps where it was unknown, and below what was done."""
    whole_s = (ends - begins).total_seconds()

    def x(at: datetime) -> float:
        return LEFT + (WIDE - LEFT - RIGHT) * (at - begins).total_seconds() / whole_s

    def y(percent: float) -> float:
        return TOP + (HIGH - TOP - FOOT) * (1 - percent / 100)

    parts = [tag("title", f"charge of {name}, {begins:%d %b} to {ends:%d %b %Y}")]
    for level in LINES:
        parts.append(tag("line", x1=LEFT, x2=WIDE - RIGHT, y1=y(level), y2=y(level), class_="grid"))
        parts.append(tag("text", f"{level} %", x=LEFT - 5, y=y(level) + 3, class_="left"))
    for day in _days(begins, ends):
        parts.append(tag("line", x1=x(day), x2=x(day), y1=TOP, y2=HIGH - FOOT + 3, class_="grid"))
        parts.append(tag("text", f"{day:%d %b}", x=x(day), y=HIGH - FOOT + 14, class_="mid"))
    for run in _runs(path):
        upper = [(x(p.at), y(min(100.0, level + 2 * spread))) for p, level, spread in run]
        lower = [(x(p.at), y(max(0.0, level - 2 * spread))) for p, level, spread in reversed(run)]
        parts.append(tag("polygon", points=_points([*upper, *lower]), class_="band"))
        parts.append(
            tag("polyline", points=_points([(x(p.at), y(v)) for p, v, _ in run]), class_="course")
        )
    for mark in marks:
        if begins <= mark.at < ends:
            place = f"translate({x(mark.at):.1f},{HIGH - 9:.1f})"
            said = tag("title", f"{mark.at:%d %b %H:%M} {mark.words}")
            parts.append(
                tag("g", said, tag("path", d=_SIGNS[mark.kind], class_=mark.kind), transform=place)
            )
    return tag("svg", *parts, viewBox=f"0 0 {WIDE:.0f} {HIGH:.0f}", role="img", class_="chart",
               xmlns="http://www.w3.org/2000/svg")  # fmt: skip


_SIGNS = {
    "began": "M-4,-4 L4,0 L-4,4 Z",
    "ended": "M-3,-3 H3 V3 H-3 Z",
    "failed": "M-4,-4 L4,4 M4,-4 L-4,4",
    "barred": "M0,-5 L5,4 H-5 Z M0,-2 V1.5",
}
SIGN_WORDS = {
    "began": "a job began", "ended": "a job ended", "failed": "a job failed or was refused",
    "barred": "the pack was barred",
}  # fmt: skip
"""What each mark means, for a key under the chart."""


def sign(kind: str) -> Markup:
    """The mark alone, for the key."""
    return tag("svg", tag("path", d=_SIGNS[kind], class_=kind), viewBox="-7 -7 14 14",
               class_="sign", aria_hidden="true")  # fmt: skip


def level_bar(levels: Sequence[LevelTimeShape], unknown_s: float) -> Markup:
    """One bar, as long as the time: its stretches by level of charge, lowest first."""
    whole_s = sum(level.time_s for level in levels) + unknown_s
    if whole_s <= 0:
        return Markup("")
    parts: list[Markup] = []
    at = 0.0
    stretches = [
        (f"{one.from_percent:.0f}–{one.to_percent:.0f} %", one.time_s, f"level-{place}")
        for place, one in enumerate(levels)
    ]
    for words, time_s, kind in [*stretches, ("unknown", unknown_s, "unknown")]:
        share = 100 * time_s / whole_s
        if share <= 0:
            continue
        left, wide = 7.2 * at, 7.2 * share
        parts.append(
            tag("rect", tag("title", f"{words}: {share:.1f} % of the time"), x=left, y=0,
                width=wide, height=26, class_=kind)
        )  # fmt: skip
        if share >= SAID_FROM:
            middle = left + wide / 2
            parts.append(tag("text", words, x=middle, y=11, class_=f"mid in-{kind}"))
            parts.append(tag("text", f"{share:.0f} %", x=middle, y=22, class_=f"mid in-{kind}"))
        at += share
    return tag(
        "svg", *parts, viewBox="0 0 720 26", role="img", class_="bar",
        aria_label="time at each level of charge", xmlns="http://www.w3.org/2000/svg",
    )  # fmt: skip


def capacity_chart(measures: Sequence[MeasureShape], label_ah: float, name: str) -> Markup:
    """Each measured capacity with twice its spread, against the label and four fifths of it."""
    high_ah = 1.1 * max(label_ah, *(one.capacity_ah for one in measures))
    low_ah = min(0.7 * label_ah, *(one.capacity_ah for one in measures)) * 0.95
    first, last = measures[0].at, measures[-1].at
    span_s = max((last - first).total_seconds(), 86_400.0)

    def x(at: datetime) -> float:
        share = (at - first).total_seconds() / span_s
        return LEFT + 12 + (WIDE - LEFT - RIGHT - 24) * share

    def y(ah: float) -> float:
        ah = min(high_ah, max(low_ah, ah))
        return TOP + (HIGH - TOP - FOOT) * (high_ah - ah) / (high_ah - low_ah)

    parts = [tag("title", f"measured capacity of {name}")]
    for ah, words in ((label_ah, "label"), (0.8 * label_ah, "80 %")):
        parts.append(tag("line", x1=LEFT, x2=WIDE - RIGHT, y1=y(ah), y2=y(ah), class_="grid"))
        parts.append(tag("text", words, x=LEFT - 5, y=y(ah) + 3, class_="left"))
    for one in measures:
        at, spread = x(one.at), 2 * one.spread_ah
        ends = {"y1": y(one.capacity_ah - spread), "y2": y(one.capacity_ah + spread)}
        said = tag("title", f"{one.at:%d %b %Y}: {one.capacity_ah:.2f} ± {one.spread_ah:.2f} Ah")
        parts.append(tag("line", x1=at, x2=at, class_="reach", **ends))
        dot = f"M{at - 3:.1f},{y(one.capacity_ah):.1f} h6 m-3,-3 v6"
        parts.append(tag("g", said, tag("path", d=dot, class_="reach")))
    parts.append(tag("text", f"{first:%d %b %Y}", x=LEFT, y=HIGH - FOOT + 14))
    if last > first:
        parts.append(
            tag("text", f"{last:%d %b %Y}", x=WIDE - RIGHT, y=HIGH - FOOT + 14, class_="left")
        )
    return tag("svg", *parts, viewBox=f"0 0 {WIDE:.0f} {HIGH - 14:.0f}", role="img", class_="chart",
               xmlns="http://www.w3.org/2000/svg")  # fmt: skip


def key_of(kinds: Sequence[str]) -> Markup:
    """What the marks mean that were drawn."""
    return joined(*(tag("span", sign(kind), f" {SIGN_WORDS[kind]}", class_="key")
                    for kind in SIGN_WORDS if kind in kinds))  # fmt: skip


def _days(begins: datetime, ends: datetime) -> Iterator[datetime]:
    """Midnights, so few that their dates have room."""
    whole = max(1, (ends - begins).days)
    step = next(step for step in (1, 2, 5, 10, 30, 100, 400) if whole / step <= 9)
    day = begins.replace(hour=0, minute=0, second=0, microsecond=0)
    while day < ends:
        if day >= begins:
            yield day
        day += timedelta(days=step)


def _runs(path: Sequence[PointShape]) -> Iterator[list[tuple[PointShape, float, float]]]:
    """Stretches in which the charge was known."""
    run: list[tuple[PointShape, float, float]] = []
    for point in path:
        if point.soc_percent is None or point.spread_percent is None:
            if run:
                yield run
            run = []
        else:
            run.append((point, point.soc_percent, point.spread_percent))
    if run:
        yield run


def _points(at: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in at)

"""A stretch of a pack's past: its charge, the rules that held, its jobs, its plugs, the decisions.

Knows worlds, events and outcomes as they come. Does not know how they are read, nor how the shape
is drawn.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from carerules.domain.decision import (
    JobBegan,
    JobEnded,
    OffProven,
    Outcome,
    SwitchOff,
    SwitchOn,
    Veto,
)
from carerules.domain.moment import Duration, Moment
from carerules.domain.pack import Side
from carerules.domain.quantity import Known, Truth
from carerules.domain.spelling import counted
from carerules.loop import World
from carerules.report.course_shapes import (
    CompareShape,
    LevelShape,
    SpanKind,
    SpanShape,
    TimelineShape,
)
from carerules.report.log import log_rows_lines
from carerules.report.pack import tidy
from carerules.report.page import fold, show_percent
from carerules.report.shapes import LineShape

POINTS = 240
"""Looks at the charge along the stretch: each six minutes of a day, finer than a phone shows."""
MARKS_MAX = 300
"""Decisions told of one stretch, the newest of them: more than anybody scrolls through."""
SPANS_MAX = 600


class Timeline:
    """Takes worlds in order; `shape` then has the stretch from `since` to `until`."""

    def __init__(self, pack: str, since: Moment, until: Moment) -> None:
        self._pack, self._since, self._until = pack, since, until
        self._step: Duration = max(1, (until - since) // POINTS)
        self._next = since
        self._levels: list[tuple[Moment, float | None, float | None]] = []
        self._open: dict[tuple[SpanKind, str], Moment] = {}
        self._spans: list[tuple[SpanKind, str, Moment, Moment | None]] = []
        self._marks: list[LineShape] = []
        self._left_out = 0

    def note(self, world: World, decided: Iterable[Outcome], rows: Sequence[LineShape]) -> None:
        """The world after an event, what was decided on it, and its rows in the diary."""
        now = world.now
        if now > self._until:
            return
        self._rules(world)
        for outcome in decided:
            self._decided(world, outcome)
        if now < self._since:
            return
        if now >= self._next:
            self._levels.append((now, *_level(world, self._pack)))
            self._next = now + self._step
        for row in rows:
            self._marks.append(row)
        if len(self._marks) > MARKS_MAX:
            self._left_out += len(self._marks) - MARKS_MAX
            del self._marks[:-MARKS_MAX]

    def shape(self, world: World) -> TimelineShape:
        """All of it; `world` is the last that was seen, and says how times read."""
        read, end = world.local.read, min(self._until, max(world.now, self._since))
        spans = [*self._spans, *((*key, begun, None) for key, begun in self._open.items())]
        inside = [one for one in spans if (one[3] is None or one[3] >= self._since)]
        inside.sort(key=lambda one: (one[0], one[1], one[2]))
        return TimelineShape(
            site=world.setup.site.name, pack=self._pack, since=read(self._since),
            until=read(self._until),
            levels=[
                LevelShape(at=read(at), soc_percent=value, spread_percent=spread)
                for at, value, spread in self._levels
            ],
            spans=[
                SpanShape(kind=kind, name=name, begins=read(max(begun, self._since)),
                          ends=read(end if ended is None else min(ended, self._until)),
                          goes_on=ended is None)
                for kind, name, begun, ended in inside[:SPANS_MAX]
            ],
            marks=self._marks, left_out=self._left_out + max(0, len(inside) - SPANS_MAX),
        )  # fmt: skip

    # ---- what is so from then on -----------------------------------------------------------------

    def _rules(self, world: World) -> None:
        bound = world.setup.bound[self._pack].rules
        for rule, state in zip(bound, world.packs[self._pack].rules, strict=True):
            self._so("rule", rule.rule.name, world.now, so=state.truth is Truth.YES)

    def _decided(self, world: World, outcome: Outcome) -> None:
        match outcome:
            case JobBegan(job, rule, pack) if pack == self._pack:
                self._so("job", f"{job}, {rule}", world.now, so=True)
            case JobEnded(job, rule, pack) if pack == self._pack:
                self._so("job", f"{job}, {rule}", world.now, so=False)
            case SwitchOn(plug, _, job) if job.rpartition("-")[0] == self._pack:
                self._so(_kind_of(world, plug), plug, world.now, so=True)
            case SwitchOff(plug) | OffProven(plug):
                self._so(_kind_of(world, plug), plug, world.now, so=False)
            case Veto(_, pack, _, interlock) if pack == self._pack and world.now >= self._since:
                self._spans.append(("veto", interlock, world.now, world.now))
            case _:
                pass

    def _so(self, kind: SpanKind, name: str, now: Moment, *, so: bool) -> None:
        begun = self._open.get((kind, name))
        if so and begun is None:
            self._open[kind, name] = now
        elif not so and begun is not None:
            del self._open[kind, name]
            if now >= self._since:
                self._spans.append((kind, name, begun, now))


def _level(world: World, name: str) -> tuple[float | None, float | None]:
    soc = world.packs[name].soc
    if not isinstance(soc, Known):
        return None, None
    value = max(0.0, min(100.0, soc.value_at(world.now)))
    return tidy(value), tidy(soc.spread_at(world.now))


def _kind_of(world: World, plug: str) -> SpanKind:
    for station in world.setup.site.stations.values():
        socket = station.socket(Side.CHARGER)
        if socket is not None and socket.plug == plug:
            return "charger"
    return "load"


# ---- as words --------------------------------------------------------------------------------


def timeline_lines(line: TimelineShape) -> list[str]:
    """The stretch for a terminal: its charge at its ends, what held, and what was decided."""
    lines = fold("", f"{line.pack}, {_at(line.since)} to {_at(line.until)}")
    known = [one for one in line.levels if one.soc_percent is not None]
    for level in (*known[:1], *known[-1:]) if known else ():
        assert level.soc_percent is not None
        shown = show_percent(level.soc_percent, level.spread_percent)
        lines += fold("  charge   ", f"{shown} on {_at(level.at)}")
    if not known:
        lines += fold("  charge   ", "unknown in all that time")
    for span in line.spans:
        end = "and goes on" if span.goes_on else f"to {_at(span.ends)}"
        lines += fold(f"  {span.kind:9}", f"{span.name}: {_at(span.begins)} {end}")
    if line.left_out:
        lines += fold("  ", f"left out: {line.left_out} more; ask for a shorter stretch")
    return [*lines, "", *(log_rows_lines(line.marks) or ["nothing was decided or said"])]


def compare_lines(shape: CompareShape) -> list[str]:
    """Two sets of rules for a terminal."""
    lines = fold("", f"{_at(shape.since)} to {_at(shape.until)}: {shape.change}")
    lines += fold("  ", f"under both alike a rule began to hold {counted(shape.same, 'time')}")
    for label, held in (("no more", shape.no_more), ("anew", shape.anew)):
        for one in held:
            lines += fold(f"  {label:8}", f"{_at(one.at)} {one.pack}, rule {one.rule}: {one.line}")
    if not shape.no_more and not shape.anew:
        lines += fold("  ", "nothing would have been otherwise")
    if shape.left_out:
        lines += fold("  ", f"left out: {shape.left_out} more; ask for fewer days")
    return lines


def _at(at: datetime) -> str:
    return at.strftime("%a %d %b %H:%M")

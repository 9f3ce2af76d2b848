"""A stretch of the past as lengths and words: a pure function of the shapes that `report` makes.

Knows where a moment lies along the stretch. Does not know HTML, nor how the stretch was found out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from itertools import groupby

from carerules.board.packrow import for_page
from carerules.domain.frozen import guarded
from carerules.report import LineShape, TimelineShape, WhyShape, seen_words, show_at, show_s
from carerules.report.course_shapes import LevelShape
from carerules.report.shapes import PartShape, RuleShape

WIDE = 1_000.0
"""The drawing's width; its height is the charge, 0 to 100."""
HOURS = (6, 24, 72, 168)
"""The stretches that the page offers."""
TICKS = 4

LANES = {"rule": "rule held", "job": "job", "load": "load on", "charger": "charger on",
         "veto": "vetoed by"}  # fmt: skip
GAP_STEPS = 3.0
"""Looks at the charge further apart than this are not joined: nobody was listening between."""


@guarded
class Piece:
    """A stretch of known charge: its line, and the band of two sigma about it, as SVG points."""

    line: str
    band: str


@guarded
class Stripe:
    """Something that was so for a while: where it begins, how long it is, and the words."""

    x: float
    wide: float
    words: str


@guarded
class LaneRow:
    """One rule, job or plug, and the times for which it was so."""

    kind: str
    name: str
    stripes: tuple[Stripe, ...]


@guarded
class MarkRow:
    """One decision: where it lies, when, its tone, its words, and what to ask for its why."""

    x: float
    when: str
    at: str
    tone: str
    text: str


@guarded
class Past:
    """The whole stretch."""

    pack: str
    title: str
    pieces: tuple[Piece, ...]
    known: str
    lanes: tuple[LaneRow, ...]
    ticks: tuple[str, ...]
    marks: tuple[MarkRow, ...]
    left_out: int
    earlier: str
    later: str


def past_of(line: TimelineShape, hours: int, now: datetime) -> Past:
    """The stretch, drawn. `now`: no later one is offered that begins after it."""
    step = timedelta(hours=hours)
    known = [one for one in line.levels if one.soc_percent is not None]
    return Past(
        pack=line.pack,
        title=f"{show_at(line.since)} to {show_at(line.until)}",
        pieces=tuple(_pieces(line)),
        known=_known(known),
        lanes=tuple(_lanes(line)),
        ticks=tuple(_tick(line, number) for number in range(TICKS + 1)),
        marks=tuple(_mark(line, one) for one in reversed(line.marks)),
        left_out=line.left_out,
        earlier=_stamp(line.until - step),
        later=_stamp(line.until + step) if line.until < now else "",
    )


def _x(line: TimelineShape, at: datetime) -> float:
    whole = (line.until - line.since).total_seconds() or 1.0
    share = (at - line.since).total_seconds() / whole
    return round(WIDE * min(1.0, max(0.0, share)), 1)


def _pieces(line: TimelineShape) -> Iterator[Piece]:
    """The charge, broken where it was unknown."""
    usual = (line.until - line.since).total_seconds() / 240
    run: list[LevelShape] = []
    for level in line.levels:
        apart = (level.at - run[-1].at).total_seconds() if run else 0.0
        if run and (level.soc_percent is None or apart > GAP_STEPS * max(usual, 600.0)):
            yield _piece(line, run)
            run = []
        if level.soc_percent is not None:
            run.append(level)
    if run:
        yield _piece(line, run)


def _piece(line: TimelineShape, run: Sequence[LevelShape]) -> Piece:
    points = [(_x(line, one.at), one.soc_percent or 0.0, 2 * (one.spread_percent or 0.0))
              for one in run]  # fmt: skip
    upper = [(x, min(100.0, value + doubt)) for x, value, doubt in points]
    lower = [(x, max(0.0, value - doubt)) for x, value, doubt in reversed(points)]
    return Piece(_points([(x, value) for x, value, _ in points]), _points([*upper, *lower]))


def _points(points: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{x:g},{round(100 - value, 1):g}" for x, value in points)


def _known(known: Sequence[LevelShape]) -> str:
    """What the line shows, for who does not see it."""
    if not known:
        return "the charge was unknown in all that time"
    values = [one.soc_percent or 0.0 for one in known]
    first, last = known[0], known[-1]
    return (
        f"charge {values[0]:.0f} % on {show_at(first.at)}, {values[-1]:.0f} % on "
        f"{show_at(last.at)}; lowest {min(values):.0f} %, highest {max(values):.0f} %"
    )


def _lanes(line: TimelineShape) -> Iterator[LaneRow]:
    order = list(LANES)
    spans = sorted(line.spans, key=lambda one: (order.index(one.kind), one.name, one.begins))
    for (kind, name), group in groupby(spans, key=lambda one: (one.kind, one.name)):
        stripes = []
        for span in group:
            x, end = _x(line, span.begins), _x(line, span.ends)
            until = "goes on" if span.goes_on else f"to {show_at(span.ends)}"
            # A run of seconds must be seen too.
            stripes.append(Stripe(x, max(2.0, end - x), f"{show_at(span.begins)} {until}"))
        yield LaneRow(LANES[kind], name, tuple(stripes))


def _tick(line: TimelineShape, number: int) -> str:
    at = line.since + (line.until - line.since) * number / TICKS
    days = (line.until - line.since) > timedelta(hours=48)
    return at.strftime("%a %H:%M") if days or number in (0, TICKS) else at.strftime("%H:%M")


def _mark(line: TimelineShape, one: LineShape) -> MarkRow:
    return MarkRow(
        x=_x(line, one.at), when=one.at.strftime("%a %d %b %H:%M:%S"), at=_stamp(one.at),
        tone=one.tone, text=for_page(one.text),
    )  # fmt: skip


def _stamp(at: datetime) -> str:
    """As `--at` and `--until` take it: the wall time, to the second."""
    return at.replace(tzinfo=None).isoformat(timespec="seconds")


# ---- why ---------------------------------------------------------------------------------------

TRUTHS = {"yes": "holds", "no": "does not hold", "unknown": "is unknown"}


@guarded
class Condition:
    """One condition: its words, whether it holds, how far its `for` has run, what it saw."""

    words: str
    holds: str
    ran: str
    share: float | None
    seen: tuple[str, ...]
    parts: tuple[Condition, ...]


@guarded
class Reason:
    """One rule for the pack: whether it holds, why it was written, when it fires, what hinders."""

    rule: str
    holds: str
    because: str
    notes: tuple[str, ...]
    when: Condition


@guarded
class Why:
    """Why each rule holds or not at one moment."""

    pack: str
    at: str
    exact: bool
    reasons: tuple[Reason, ...]
    nevers: tuple[str, ...]
    decisions: tuple[str, ...]


def why_page_of(why: WhyShape) -> Why:
    """The explanation, as the page says it; rules that hold come first."""
    first = {"yes": 0, "unknown": 1, "no": 2}
    rules = sorted(why.rules, key=lambda rule: first[rule.holds])
    return Why(
        pack=why.pack,
        at=why.at.strftime("%a %d %b %Y %H:%M:%S"),
        exact=why.exact,
        reasons=tuple(_reason(rule, why) for rule in rules),
        nevers=tuple(f"never {one.forbids} when {one.when}: {TRUTHS[one.holds]}"
                     for one in why.nevers),
        decisions=tuple(for_page(one.text) for one in why.decisions),
    )  # fmt: skip


def _reason(rule: RuleShape, why: WhyShape) -> Reason:
    notes = []
    if rule.fired:
        notes.append("it has fired")
    if rule.fires_at is not None:
        at_once = rule.fires_at <= why.at
        notes.append("fires at once" if at_once else f"fires {show_at(rule.fires_at)}, if nothing "
                                                     "changes")  # fmt: skip
    if rule.obstacle is not None:
        mend = f"; {for_page(rule.obstacle.mend)}" if rule.obstacle.mend else ""
        lock = f"{rule.obstacle.interlock}: " if rule.obstacle.interlock else ""
        notes.append(f"in its way: {lock}{rule.obstacle.what}{mend}")
    return Reason(rule.rule, TRUTHS[rule.holds], rule.because or "", tuple(notes),
                  _condition(rule.when))  # fmt: skip


def _condition(part: PartShape) -> Condition:
    ran, share = "", None
    if part.wanted_s:
        ran = f"{show_s(part.ran_s or 0)} of {show_s(part.wanted_s)}"
        share = min(1.0, (part.ran_s or 0.0) / part.wanted_s)
    return Condition(
        words=part.words, holds=TRUTHS[part.holds], ran=ran, share=share,
        seen=tuple(seen_words(one) for one in part.seen),
        parts=tuple(_condition(one) for one in part.parts),
    )  # fmt: skip

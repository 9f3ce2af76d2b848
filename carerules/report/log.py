"""The journal as a diary: a line for each thing seen, decided, done and told.

Knows events, outcomes and their sentences. Does not know how far back is read.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from carerules.domain.decision import OffProven, Outcome, SwitchOff, SwitchOn
from carerules.domain.event import (
    Answered,
    Cancelled,
    ClockSet,
    Event,
    PlugReport,
    Sample,
    SiteSample,
    Started,
    UsePlanned,
    Value,
)
from carerules.domain.moment import LocalTime
from carerules.domain.quantity import COUNT, show_read
from carerules.domain.signal import Catalogue
from carerules.loop import World
from carerules.report.page import Paint, fold, plain
from carerules.report.shapes import LineShape, LogShape
from carerules.report.words import Line, line_of, said


class Diary:
    """Rows out of events and outcomes, which must come in order.

    It remembers which pack a plug was last switched on for, so that its going off is told of that
    pack too, and how the wall clock stood.
    """

    def __init__(self, local: LocalTime, signals: Catalogue, *, samples: bool = False) -> None:
        """`samples`: what was measured and what plugs reported gets a line too."""
        self._local, self._signals, self._samples = local, signals, samples
        self._pack_of_plug: dict[str, str] = {}

    def begin(self, world: World) -> None:
        """Begin with the clock and the plugs as they are in a world."""
        self._local = world.local
        for name, plug in world.plugs.items():
            self._pack_of_plug[name] = _pack_of_job(plug.job)

    def rows(
        self, seq: int, event: Event, outcomes: Iterable[Outcome], pack: str | None = None
    ) -> Iterator[LineShape]:
        """The rows of one event; `pack`: only those that are about it."""
        if isinstance(event, (Started, ClockSet)):
            self._local = replace(self._local, offset=event.offset)
        line = said(event, self._local)
        if line is None and self._samples:
            line = measured_line(event, self._signals)
        if line is not None and (pack is None or pack in _packs_of_event(event, line)):
            yield self._row(seq, event, line)
        for outcome in outcomes:
            told = line_of(outcome)
            about = self._pack_of_outcome(outcome, told)
            if told is not None and (pack is None or pack == about):
                yield self._row(seq, event, told)

    def _row(self, seq: int, event: Event, line: Line) -> LineShape:
        at = self._local.read(event.heard)
        return LineShape(seq=seq, at=at, tone=line.tone, about=line.about or None, text=line.text)

    def _pack_of_outcome(self, outcome: Outcome, line: Line | None) -> str:
        match outcome:
            case SwitchOn(plug, _, job, _, _):
                self._pack_of_plug[plug] = _pack_of_job(job)
                return self._pack_of_plug[plug]
            case SwitchOff(plug) | OffProven(plug):
                return self._pack_of_plug.get(plug, "")
            case _:
                return line.about if line is not None else ""


def _packs_of_event(event: Event, line: Line) -> frozenset[str]:
    match event:
        case UsePlanned(_, use):
            return use.packs
        case Answered(_, job) | Cancelled(_, job):
            return frozenset((_pack_of_job(job),))
        case _:
            return frozenset((line.about,))


def _pack_of_job(job: str) -> str:
    """A job is named by its pack and a number: `heron-12`."""
    return job.rpartition("-")[0]


def measured_line(event: Event, signals: Catalogue) -> Line | None:
    """What was measured or reported, as a sentence; None: neither."""
    match event:
        case Sample(_, _, pack, values, source, cells):
            words = [_value(value, signals) for value in values]
            if cells:
                words.append("cells " + ", ".join(f"{volts:.3f}" for volts in cells) + " V")
            return Line("seen", pack, f"{', '.join(words) or 'nothing'} ({source})")
        case SiteSample(_, _, values, source):
            words = [_value(value, signals) for value in values]
            return Line("seen", "", f"{', '.join(words) or 'nothing'} ({source})")
        case PlugReport(_, plug, on, power_w, timer_s):
            relay = {True: "on", False: "off", None: "relay not said"}[on]
            power = "" if power_w is None else f", {power_w:.4g} W"
            timer = "" if timer_s is None else f", {timer_s:.0f} s left of its timer"
            return Line("seen", "", f"plug {plug}: {relay}{power}{timer}")
        case _:
            return None


def _value(value: Value, signals: Catalogue) -> str:
    signal = signals.get(value.signal)
    name = value.signal.partition(".")[2] or value.signal
    return f"{name} {show_read(value.value, signal.dimension if signal else COUNT)}"


# ---- as words --------------------------------------------------------------------------------


def log_lines(log: LogShape, paint: Paint = plain) -> list[str]:
    """The log for a terminal: time, tone, about what, and the words, folded under each other."""
    return log_rows_lines(log.lines, paint) or ["nothing is journalled that fits"]


def log_rows_lines(rows: Sequence[LineShape], paint: Paint = plain) -> list[str]:
    """Rows for a terminal."""
    lines: list[str] = []
    for row in rows:
        head = f"{row.at.strftime('%a %d %b %H:%M:%S')}  {row.tone:7}  "
        told = row.about is None or row.text.startswith((f"{row.about} ", f"{row.about}:"))
        about = "" if told else f"{row.about}: "
        lines += [paint(row.tone, line) for line in fold(head, f"{about}{row.text}")]
    return lines

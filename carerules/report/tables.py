"""The journal as tables: which there are, their columns, and the rows that an event makes. Pure.

Knows events and decisions. Does not know what a table is written to. A number's unit is the end of
its column's name; times are UTC; what is unknown is None, never 0.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Literal, TypeAlias

from carerules.adapters import kind_of
from carerules.domain.decision import (
    AskPlug,
    JobBegan,
    JobEnded,
    Notice,
    Outcome,
    SwitchOn,
    Veto,
)
from carerules.domain.event import (
    ClockSet,
    Event,
    PlugReport,
    Sample,
    SiteSample,
    Started,
    Value,
)
from carerules.domain.frozen import guarded
from carerules.domain.moment import SECOND, Duration, LocalTime, Moment
from carerules.domain.quantity import (
    CAPACITY,
    CHARGE_LEVEL,
    COUNT,
    CURRENT,
    DURATION,
    ENERGY,
    POWER,
    RESISTANCE,
    SWITCH,
    TEMPERATURE,
    VOLTAGE,
    Dimension,
)
from carerules.domain.signal import Catalogue, Scope, Signal
from carerules.report.words import line_of, said

Kind: TypeAlias = Literal["time", "text", "real", "whole", "truth"]
Cell: TypeAlias = datetime | str | float | int | bool | None
Row: TypeAlias = tuple[Cell, ...]

OPEN_JOBS_MAX = 10_000
"""Jobs whose end was not seen. A pack has a few; more would be a journal that lost its ends."""

_ENDINGS: Mapping[Dimension, str] = {
    CHARGE_LEVEL: "_percent", VOLTAGE: "_v", CURRENT: "_a", CAPACITY: "_ah", ENERGY: "_wh",
    POWER: "_w", RESISTANCE: "_mohm", TEMPERATURE: "_c", DURATION: "_s", COUNT: "", SWITCH: "",
}  # fmt: skip


@guarded
class Column:
    """One column; `time` is in UTC."""

    name: str
    kind: Kind


@guarded
class Table:
    """One table: a file."""

    name: str
    columns: tuple[Column, ...]


def _columns(kind: Kind, *names: str) -> tuple[Column, ...]:
    return tuple(Column(name, kind) for name in names)


_EVENT = (Column("seq", "whole"), Column("heard_utc", "time"))

_FIXED: tuple[Table, ...] = (
    Table("cells", (*_EVENT, Column("at_utc", "time"), Column("pack", "text"),
                    Column("cell", "whole"), Column("voltage_v", "real"))),
    Table("plugs", (*_EVENT, Column("plug", "text"), Column("on", "truth"),
                    *_columns("real", "power_w", "timer_s"))),
    Table("events", (*_EVENT, *_columns("text", "kind", "about", "text"))),
    Table("decisions", (*_EVENT, *_columns("text", "kind", "tone", "pack", "rule", "job", "station",
                                           "plug", "interlock", "text"))),
    Table("jobs", (*_columns("text", "job", "pack", "rule", "line"),
                   *_columns("time", "began_utc", "ended_utc"), Column("ending", "text"),
                   Column("energy_wh", "real"), Column("why", "text"))),
    Table("notices", (*_EVENT, *_columns("text", "key", "pack", "channel"),
                      Column("urgent", "truth"), Column("text", "text"))),
)  # fmt: skip


def column_of(signal: Signal) -> Column:
    """The column of a signal: its name without the scope, and its unit."""
    ending = _ENDINGS.get(signal.dimension, "_" + signal.dimension.unit.replace("/", "_per_"))
    name = signal.name.partition(".")[2].replace(".", "_")
    return Column(name + ending, "truth" if signal.dimension == SWITCH else "real")


def _spread(column: Column) -> Column:
    """Its doubt, one sigma, in the same unit: `soc_percent` -> `soc_spread_percent`."""
    stem, _, unit = column.name.rpartition("_")
    return Column(f"{stem}_spread_{unit}" if stem else f"{unit}_spread", "real")


@dataclass(slots=True)
class Tables:
    """Rows out of events, which must come in order. It remembers how the wall clock stood, and the
    jobs that are open."""

    local: LocalTime
    signals: Catalogue
    _jobs: dict[str, tuple[JobBegan, Moment, Duration]] = field(default_factory=dict)

    def all(self) -> tuple[Table, ...]:
        """Every table, by this site's signals."""
        pack = [column_of(one) for one in self._of(Scope.PACK)]
        room = [column_of(one) for one in self._of(Scope.SITE)]
        paired = [both for one in pack for both in (one, _spread(one))]
        return (
            Table("samples", (*_EVENT, Column("at_utc", "time"),
                              *_columns("text", "pack", "source"), *paired)),
            Table("room", (*_EVENT, Column("at_utc", "time"), Column("source", "text"), *room)),
            *_FIXED,
        )  # fmt: skip

    def _of(self, scope: Scope) -> list[Signal]:
        return [one for one in self.signals.values() if one.scope is scope and one.raw]

    # ---- rows ----------------------------------------------------------------------------------

    def rows(self, seq: int, event: Event, decided: Iterable[Outcome]) -> Iterator[tuple[str, Row]]:
        """The rows of one event, each with its table's name."""
        if isinstance(event, (Started, ClockSet)):
            self.local = LocalTime(self.local.zone, event.offset)
        head: Row = (seq, self._utc(event.heard))
        match event:
            case Sample(_, at, pack, values, source, cells):
                if values:
                    pairs = self._values(Scope.PACK, values, spread=True)
                    yield "samples", (*head, self._utc(at), pack, source, *pairs)
                for number, volts in enumerate(cells, 1):
                    yield "cells", (*head, self._utc(at), pack, number, volts)
            case SiteSample(_, at, values, source):
                seen = self._values(Scope.SITE, values, spread=False)
                yield "room", (*head, self._utc(at), source, *seen)
            case PlugReport(_, plug, on, power_w, timer_s):
                yield "plugs", (*head, plug, on, power_w, timer_s)
            case _:
                line = said(event, self.local)
                if line is not None:
                    yield "events", (*head, kind_of(event), line.about or None, line.text)
        for outcome in decided:
            yield from self._decided(head, event.heard, outcome)

    def _values(self, scope: Scope, values: Sequence[Value], *, spread: bool) -> Iterator[Cell]:
        found = {value.signal: value for value in values}
        for signal in self._of(scope):
            value = found.get(signal.name)
            scale = SECOND if signal.dimension == DURATION else 1
            if value is None:
                yield None
            elif signal.dimension == SWITCH:
                yield bool(value.value)
            else:
                yield value.value / scale
            if spread:
                yield None if value is None else value.spread / scale

    def _decided(self, head: Row, at: Moment, outcome: Outcome) -> Iterator[tuple[str, Row]]:
        match outcome:
            case AskPlug() | SwitchOn(renewal=True):
                return
            case Notice(key, text, pack, urgent, to):
                yield "notices", (*head, key, pack or None, to or None, urgent, text)
                return
            case JobBegan(job):
                if len(self._jobs) < OPEN_JOBS_MAX:
                    self._jobs[job] = (outcome, at, self.local.offset)
            case JobEnded():
                yield "jobs", self._job(outcome, at)
            case _:
                pass
        line = line_of(outcome)
        if line is None:
            return
        named = [getattr(outcome, name, None) or None
                 for name in ("pack", "rule", "job", "station", "plug", "interlock")]  # fmt: skip
        text = outcome.show() if isinstance(outcome, Veto) else line.text
        yield "decisions", (*head, kind_of(outcome), line.tone, *named, text)

    def _job(self, ended: JobEnded, at: Moment) -> Row:
        began = self._jobs.pop(ended.job, None)
        return (
            ended.job, ended.pack, ended.rule, began[0].line if began else None,
            _utc(began[1] + began[2]) if began else None, self._utc(at), ended.ending.value,
            ended.energy_wh, ended.why,
        )  # fmt: skip

    def left(self) -> Iterator[tuple[str, Row]]:
        """The rows of the jobs that have not ended."""
        for began, at, offset in self._jobs.values():
            yield "jobs", (began.job, began.pack, began.rule, began.line, _utc(at + offset),
                           None, None, None, None)  # fmt: skip

    def _utc(self, moment: Moment) -> datetime:
        return _utc(moment + self.local.offset)


def _utc(wall_ms: int) -> datetime:
    return datetime.fromtimestamp(wall_ms / 1_000, UTC)

"""What a stretch of time came to for each pack and rule, read off a journal in its order.

Knows events, outcomes and the worlds between them. Does not know files, nor how it is drawn.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from carerules.battery import History, Ledger, empty_ledger, lain
from carerules.domain.decision import (
    Ending,
    JobBegan,
    JobEnded,
    Marked,
    Outcome,
    PackBarred,
)
from carerules.domain.event import Event, Happened
from carerules.domain.moment import HOUR, MINUTE, SECOND, Duration, LocalTime, Moment
from carerules.domain.quantity import Known
from carerules.loop import Setup, World
from carerules.report.course_shapes import PackHealthShape
from carerules.report.health import health_of
from carerules.report.month_shapes import (
    LevelTimeShape,
    MarkShape,
    MeasureShape,
    MonthLyingShape,
    MonthShape,
    PackMonthShape,
    PointShape,
    RetireShape,
    RuleMonthShape,
    StepInShape,
)
from carerules.report.pack import tidy
from carerules.report.shapes import BandShape
from carerules.report.tally import Tally

READ_EVERY: Duration = 10 * MINUTE
"""How often each pack's charge is read: it moves by a few points in that time at most."""
EDGES = (0.0, 20.0, 40.0, 60.0, 80.0, 95.0, 100.0)
"""Levels of charge that time is sorted into; 95 is where `full` begins in `rehearse`."""
FALL_LEAST = 2.0
"""Points: a smaller fall is the doubt of the reading (no source)."""
MARKS_MAX = 500
"""Of each pack: sixteen a day of a month; a chart has no room for more."""
PLAN_BELOW, END_BELOW = 80.0, 50.0
"""Percent of the label: plan a new pack; retire it (common practice, no source)."""


@dataclass(slots=True)
class _Pack:
    ledger: Ledger
    times: list[Duration] = field(default_factory=lambda: [0] * (len(EDGES) - 1))
    unknown: Duration = 0
    fell: float = 0.0
    charges: int = 0
    uses: int = 0
    energy_wh: float = 0.0
    path: list[tuple[Moment, float | None, float]] = field(default_factory=list)
    marks: list[tuple[Moment, str, str]] = field(default_factory=list)
    _high: float | None = None

    def read(self, at: Moment, soc: object, temp_c: float | None) -> None:
        """One look at the charge, that stands for the time until the next."""
        if not isinstance(soc, Known):
            self.unknown += READ_EVERY
            self._high = None
            self.ledger = lain(self.ledger, None, temp_c, READ_EVERY)
            level, spread = None, 0.0
        else:
            level, spread = min(100.0, max(0.0, soc.value_at(at))), soc.spread_at(at)
            above = sum(edge <= level for edge in EDGES[1:-1])
            self.times[above] += READ_EVERY
            self.ledger = lain(self.ledger, level, temp_c, READ_EVERY)
            self._fall(level)
        if at % HOUR == 0:
            self.path.append((at, level, spread))

    def _fall(self, level: float) -> None:
        if self._high is None or level > self._high:
            self._high = level
        elif self._high - level >= FALL_LEAST:
            self.fell += self._high - level
            self._high = level

    def mark(self, at: Moment, kind: str, words: str) -> None:
        if len(self.marks) < MARKS_MAX:
            self.marks.append((at, kind, words))


class Month:
    """The sum of a stretch from `begins` to `ends`: told each event in order, then asked."""

    def __init__(self, setup: Setup, begins: Moment, ends: Moment) -> None:
        self.setup, self.begins, self.ends = setup, begins, ends
        self._packs = {
            name: _Pack(empty_ledger(setup.chemistries[pack.chemistry]))
            for name, pack in setup.site.packs.items()
        }
        self._tally = Tally(rules={})
        self._lines: dict[str, str] = {}
        self._world: World | None = None
        self._next = -(-begins // READ_EVERY) * READ_EVERY
        self._since: Moment | None = None

    def add(self, event: Event, outcomes: Sequence[Outcome], world: World) -> None:
        """An event, what was decided on it, and the world after it. Those from before the stretch
        only tell what was so when it began."""
        self._read_until(min(event.heard, self.ends))
        self._world = world
        for outcome in outcomes:
            if isinstance(outcome, JobBegan):
                self._lines[outcome.job] = outcome.line
        if not self.begins <= event.heard < self.ends:
            return
        self._since = event.heard if self._since is None else self._since
        self._tally.count(outcomes)
        if isinstance(event, Happened):
            self._happened(event.pack, event.what)
        for outcome in outcomes:
            self._decided(event.heard, outcome)

    def close(self, until: Moment) -> None:
        """Nothing more comes: it stays as it is until the end, or `until` when that is earlier."""
        self._read_until(min(until, self.ends))

    def _read_until(self, until: Moment) -> None:
        world = self._world
        while self._next < until:
            if world is not None:
                for name, row in self._packs.items():
                    state = world.packs[name]
                    temp = state.estimate.readings.get("pack.temperature")
                    row.read(self._next, state.soc, temp.value if isinstance(temp, Known) else None)
            self._next += READ_EVERY

    def _happened(self, pack: str, what: str) -> None:
        row = self._packs.get(pack)
        if row is not None:
            row.charges += what == "charge"
            row.uses += what == "use"

    def _decided(self, at: Moment, outcome: Outcome) -> None:
        match outcome:
            case Marked(pack, what):
                self._happened(pack, what)
            case JobBegan(_, rule, pack, line) if pack in self._packs:
                self._packs[pack].mark(at, "began", f"{rule}: {line}")
            case JobEnded(job, rule, pack, ending, why, energy_wh) if pack in self._packs:
                row = self._packs[pack]
                row.energy_wh += energy_wh
                kind = "failed" if ending in (Ending.FAILED, Ending.REFUSED) else "ended"
                row.mark(at, kind, f"{rule}: {self._lines.get(job, 'job')}: {why}")
            case PackBarred(pack, _, why) if pack in self._packs:
                self._packs[pack].mark(at, "barred", why)
            case _:
                pass

    # ---- what it came to ----------------------------------------------------------------------

    def shape(self, histories: Iterable[History], local: LocalTime) -> MonthShape:
        """It all; `histories` are the packs' pasts up to the end."""
        known = {one.pack.name: one for one in histories}
        site = self.setup.site
        health = {one.pack: one for one in health_of(site.name, known.values(), local).packs}
        tally = self._tally
        names = dict.fromkeys([*(rule.name for rule in self.setup.plan.rules), *tally.rules])
        return MonthShape(
            site=site.name, virtual=site.virtual,
            begins=local.read(self.begins), ends=local.read(self.ends),
            since=None if self._since is None else local.read(self._since),
            packs=[
                self._pack_shape(name, row, health[name], known[name], local)
                for name, row in self._packs.items()
            ],
            rules=[self._rule_shape(name) for name in names],
            interlocks=[
                StepInShape(interlock=interlock, pack=pack, station=station, times=times)
                for (interlock, pack, station), times in sorted(tally.interlocks.items())
            ],
            chores=tally.chores, notices=tally.notices, urgent=tally.urgent,
            retire=list(self._retire(health)),
        )  # fmt: skip

    def _rule_shape(self, name: str) -> RuleMonthShape:
        row = self._tally.rules.get(name)
        if row is None:
            return RuleMonthShape(rule=name, fired=0, done=0, ended_else=0, energy_wh=0.0)
        done = row.endings[Ending.DONE]
        return RuleMonthShape(
            rule=name, fired=row.fired, done=done, ended_else=sum(row.endings.values()) - done,
            energy_wh=tidy(row.energy_wh),
        )  # fmt: skip

    def _pack_shape(
        self, name: str, row: _Pack, health: PackHealthShape, past: History, local: LocalTime
    ) -> PackMonthShape:
        pack = self.setup.site.packs[name]
        return PackMonthShape(
            pack=name, chemistry=pack.chemistry, cells=pack.cells, capacity_ah=pack.capacity_ah,
            levels=[
                LevelTimeShape(from_percent=low, to_percent=high, time_s=time / SECOND)
                for low, high, time in zip(EDGES[:-1], EDGES[1:], row.times, strict=True)
            ],
            unknown_s=row.unknown / SECOND, cycles=tidy(row.fell / 100), charges=row.charges,
            uses=row.uses, energy_wh=tidy(row.energy_wh), lying=_lying(row.ledger), health=health,
            path=[
                PointShape(
                    at=local.read(at), soc_percent=None if level is None else tidy(level),
                    spread_percent=None if level is None else tidy(spread),
                )
                for at, level, spread in row.path
            ],
            marks=[
                MarkShape.model_validate({"at": local.read(at), "kind": kind, "words": words})
                for at, kind, words in row.marks
            ],
            capacities=[
                MeasureShape(at=local.read(one.at), capacity_ah=tidy(one.value),
                             spread_ah=tidy(one.spread))
                for one in past.capacities if one.at < self.ends
            ],
        )  # fmt: skip

    def _retire(self, health: Mapping[str, PackHealthShape]) -> Iterable[RetireShape]:
        world = self._world
        for name, one in health.items():
            state = None if world is None else world.packs[name]
            if state is not None and (state.retired or state.barred):
                yield RetireShape(pack=name, now=True, why=state.retired or state.barred)
                continue
            if one.capacity_ah is None:
                continue
            share = 100 * one.capacity_ah / one.label_ah
            if share < END_BELOW:
                why = f"it holds {share:.0f} % of its label: retire it"
                yield RetireShape(pack=name, now=True, why=why)
            elif share < PLAN_BELOW:
                why = f"it holds {share:.0f} % of its label: plan a new one"
                yield RetireShape(pack=name, now=False, why=why)
            else:
                for reach in one.reaches:
                    if reach.percent == PLAN_BELOW and reach.likely is not None:
                        why = f"{PLAN_BELOW:.0f} % of its label is likely about"
                        yield RetireShape(pack=name, now=False, why=f"{why} {reach.likely:%b %Y}")


def _lying(ledger: Ledger) -> MonthLyingShape | None:
    lost, extra, saved = ledger.loss, ledger.high_extra, ledger.saved
    if lost is None or extra is None or saved is None or not ledger.seen_time:
        return None
    lost_shape, extra_shape, saved_shape = (
        BandShape(low=tidy(one.low), mid=tidy(one.mid), high=tidy(one.high))
        for one in (lost, extra, saved)
    )
    return MonthLyingShape(
        above_80_percent_s=ledger.high_time / SECOND, lost_percent=lost_shape,
        extra_above_80_percent=extra_shape, saved_to_full_percent=saved_shape,
    )  # fmt: skip

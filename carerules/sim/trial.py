"""A scenario played out: the real loop, an ideal bench, virtual time.

Knows scenarios and what is to be expected. Does not know how they are written or shown. Everything
here does as it is told: plugs obey at once, readings are exact and stay fresh until the scenario
changes them, a load takes its power and the charge falls by it. What faults do is for the rehearsal
and the campaign.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

from carerules.battery import Chemistry, rest_voltage
from carerules.domain.decision import (
    AskPlug,
    JobBegan,
    Outcome,
    SwitchOff,
    SwitchOn,
)
from carerules.domain.event import (
    Attended,
    Event,
    Happened,
    Placed,
    PlugReport,
    Sample,
    SiteSample,
    Started,
    Tick,
    UsePlanned,
    Value,
)
from carerules.domain.frozen import guarded
from carerules.domain.moment import MINUTE, SECOND, Duration, LocalTime, Moment
from carerules.domain.pack import Pack, Plug, Side, Site, Socket, Station, Use
from carerules.domain.plan import Plan
from carerules.domain.quantity import Known, Reading, Unknown
from carerules.domain.scenario import (
    Change,
    GivenPack,
    Moved,
    Occurs,
    Presence,
    Scenario,
    Set,
    UseAt,
)
from carerules.domain.signal import Catalogue
from carerules.loop import World, make_setup, new_world, next_due, step

LOAD_W = 60.0
CHARGER_W = 180.0
ANSWER_AFTER: Duration = 100
"""An ideal plug answers in a tenth of a second."""
REFRESH_EVERY: Duration = 45 * SECOND
"""While energy is wanted the packs tell their readings this often: never a minute old."""
STEPS_MAX = 200_000
"""Steps of one scenario: weeks of it; a bound against rules that chase each other for ever."""
PRESENT: Duration = 1_000 * 24 * 60 * MINUTE


@guarded
class Happening:
    """Something that was decided in a scenario, at its time."""

    at: Moment
    outcome: Outcome


@dataclass(slots=True)
class Bench:
    """The ideal bench of one scenario: what is told of each pack, and the world that hears it."""

    world: World
    told: dict[str, dict[str, Reading]]
    happened: list[Happening] = field(default_factory=list)
    rules: dict[str, str] = field(default_factory=dict)
    on: dict[str, bool] = field(default_factory=dict)
    occurred: dict[tuple[str, str], Moment] = field(default_factory=dict)
    steps: int = 0
    refreshed: Moment = 0
    refused: list[str] = field(default_factory=list)

    # ---- time --------------------------------------------------------------------------------

    def go_to(self, moment: Moment) -> None:
        """Let time pass, looking in whenever something is due."""
        while self.world.now < moment and self.steps < STEPS_MAX:
            wanting = any(
                state.station and any(job.side for job in state.jobs)
                for state in self.world.packs.values()
            )
            until = min(moment, next_due(self.world))
            if wanting:
                until = min(until, self.world.now + REFRESH_EVERY)
            until = max(until, self.world.now + 1)
            if wanting and until - self.refreshed >= REFRESH_EVERY:
                for name in self.world.packs:
                    # What the last one told may have switched a plug, whose answer takes time.
                    self._tell(name, max(until, self.world.now))
                self.refreshed = until
            self.hear(Tick(max(until, self.world.now)))

    def hear(self, event: Event) -> None:
        """One step, and the plugs' answers to it."""
        self.steps += 1
        self.world, outcomes = step(self.world, event)
        answers: list[str] = []
        for outcome in outcomes:
            self.happened.append(Happening(self.world.now, outcome))
            match outcome:
                case JobBegan(job, rule):
                    self.rules[job] = rule
                case SwitchOn(plug):
                    self.on[plug] = True
                    answers.append(plug)
                case SwitchOff(plug):
                    self.on[plug] = False
                    answers.append(plug)
                case AskPlug(plug):
                    answers.append(plug)
                case _:
                    pass
        for plug in dict.fromkeys(answers):
            self._answer(plug)

    def _answer(self, plug: str) -> None:
        on = self.on.get(plug, False)
        power = (LOAD_W if plug.endswith("-load") else CHARGER_W) if on else 0.0
        at = self.world.now + ANSWER_AFTER
        self.hear(PlugReport(at, plug, on, power, 90.0 if on else None))

    # ---- changes -----------------------------------------------------------------------------

    def change(self, change: Change) -> None:
        """One thing that the scenario says happens now."""
        now, local = self.world.now, self.world.local
        match change:
            case Set(None, signal, value):
                reading = () if value is None else (Value(signal, value.value),)
                self.hear(SiteSample(now, now, reading, "scenario"))
            case Set(str() as pack, signal, value):
                known = (
                    Unknown("stale") if value is None else Known(value.value, 0, now, "scenario")
                )
                self.told[pack][signal] = known
                self._tell(pack, now)
                self._note_refused(pack, signal)
            case Occurs(pack, event):
                # Two on one line are two; at one moment they would be one fact said twice.
                if self.occurred.get((pack, event)) == now:
                    self.go_to(now + 1)
                    now = self.world.now
                self.occurred[pack, event] = now
                self.hear(Happened(now, now, pack, event, "scenario"))
                self.told[pack].pop("pack.soc", None)
            case UseAt(start, packs):
                name = f"use {start:%a %H:%M}"
                wanted = packs or frozenset(self.world.packs)
                self.hear(UsePlanned(now, Use(name, local.moment(start), wanted)))
            case Moved(pack, placed):
                self.hear(Placed(now, pack, f"{pack} bench" if placed else None))
            case Presence(present):
                self.hear(Attended(now, now + PRESENT if present else now))

    def _note_refused(self, name: str, signal: str) -> None:
        """A value that no such pack can have, as the estimate says: no rule would ever see it."""
        told, state = self.told[name].get(signal), self.world.packs[name].estimate
        doubt = "cells" if signal in _BY_CELLS else signal
        if not isinstance(told, Known) or doubt not in state.doubts:
            return
        seen = state.readings.get(signal)
        if not isinstance(seen, Known) or seen.value != told.value:
            self.refused.append(f"{name}: {state.doubts[doubt]}")

    def _tell(self, name: str, at: Moment) -> None:
        """The pack tells all its readings: those that were set, and a voltage to go with them."""
        told = self.told[name]
        pack = self.world.setup.site.packs[name]
        soc = told.get("pack.soc", self.world.packs[name].soc)
        values = [
            Value(signal, reading.value, 0.01 if signal == "pack.soc" else 0.0)
            for signal, reading in told.items()
            if isinstance(reading, Known) and signal in _SAMPLED
        ]
        health = told.get("pack.health")
        if isinstance(health, Known):
            values.append(Value("pack.capacity", health.value / 100 * pack.capacity_ah, 0.001))
        self.hear(
            Sample(at, at, name, tuple(values), "scenario", self._cells(pack, soc, told), 0.0)
        )
        self._override(name, at)
        if isinstance(told.get("pack.soc"), Known):
            del told["pack.soc"]  # said once: from then on it is counted

    def _cells(self, pack: Pack, soc: Reading, told: Mapping[str, Reading]) -> tuple[float, ...]:
        low, high = told.get("pack.cell.min"), told.get("pack.cell.max")
        spread, volts = told.get("pack.cell.spread"), told.get("pack.voltage")
        if isinstance(volts, Known):
            rest = volts.value / pack.cells
        elif isinstance(soc, Known):
            share = max(0.0, min(1.0, soc.value_at(self.world.now) / 100))
            rest = rest_voltage(self.world.setup.chemistries[pack.chemistry], share)
        elif isinstance(low, Known) or isinstance(high, Known):
            rest = (low if isinstance(low, Known) else high).value  # type: ignore[union-attr]
        else:
            return ()
        lowest = low.value if isinstance(low, Known) else rest
        highest = high.value if isinstance(high, Known) else max(rest, lowest)
        if isinstance(spread, Known):
            highest = lowest + spread.value
        return (lowest, *[highest] * (pack.cells - 1)) if pack.cells > 1 else (lowest,)

    def _override(self, name: str, at: Moment) -> None:
        """What no sample can say (how long it rested, what is unknown) is put in its place."""
        told = self.told[name]
        put: dict[str, Reading] = {
            signal: reading for signal, reading in told.items()
            if isinstance(reading, Unknown) or signal not in (*_SAMPLED, *_BY_CELLS, "pack.health")
        }  # fmt: skip
        rested = told.get("pack.rested")
        if isinstance(rested, Known):
            put["pack.rested"] = replace(rested, slope=1.0)
        if not put:
            return
        state = self.world.packs[name]
        estimate = replace(state.estimate, readings={**state.estimate.readings, **put})
        after = replace(state, estimate=estimate, due=at, looked_at=None)
        self.world = replace(self.world, packs={**self.world.packs, name: after})
        self.hear(Tick(max(at, self.world.now)))


_SAMPLED = (
    "pack.soc", "pack.voltage", "pack.current", "pack.temperature", "pack.power", "pack.capacity",
    "pack.resistance",
)  # fmt: skip
_BY_CELLS = ("pack.cell.min", "pack.cell.max", "pack.cell.spread")


def bench_of(
    scenario: Scenario, plan: Plan, signals: Catalogue, chemistries: Mapping[str, Chemistry]
) -> Bench:
    """The bench at the scenario's beginning: everything off, nothing heard yet."""
    # What a scenario sets stays so until it says otherwise: nothing goes stale by itself, and no
    # charge seeps away on the shelf.
    fresh = {name: replace(signal, max_age=None) for name, signal in signals.items()}
    chemistries = {
        name: replace(chemistry, self_discharge_pct_month=0.0)
        for name, chemistry in chemistries.items()
    }
    packs = {one.pack: _pack(one, chemistries) for one in scenario.packs}
    stations = {f"{name} bench": _station(name) for name in packs}
    plugs = {
        socket.plug: Plug(socket.plug, "scenario")
        for station in stations.values()
        for side in Side
        if (socket := station.socket(side)) is not None
    }
    site = Site("scenario", LocalTime(UTC), packs, stations, plugs, virtual=True)
    setup = make_setup(site, chemistries, fresh, plan)
    start = moment_of(scenario.start) - MINUTE
    bench = Bench(new_world(setup, start), {name: {} for name in packs})
    bench.hear(Started(start))
    bench.go_to(start + 20 * SECOND)
    for one in scenario.packs:
        bench.told[one.pack]["pack.temperature"] = Known(20.0, 0.0, start, "scenario")
        if one.placed:
            bench.change(Moved(one.pack, True))
    bench.hear(
        SiteSample(bench.world.now, bench.world.now, (Value("site.temperature", 20.0),), "-")
    )
    return bench


def moment_of(time: datetime) -> Moment:
    """A scenario's wall time on its line: UTC, no clock changes."""
    return round(time.replace(tzinfo=UTC).timestamp() * 1_000)


def _pack(given: GivenPack, chemistries: Mapping[str, Chemistry]) -> Pack:
    limits = chemistries[given.chemistry].limits
    return Pack(
        given.pack, given.chemistry, given.cells, given.capacity_ah, limits, given.tags, given.role
    )


def _station(name: str) -> Station:
    load, charger = Socket(f"{name}-load", LOAD_W), Socket(f"{name}-charger", CHARGER_W)
    return Station(f"{name} bench", load, charger)

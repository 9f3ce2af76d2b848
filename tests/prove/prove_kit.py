"""What the tests of the prover share: plans from text, and a stage on which a witness is played.

A witness says which values hold at one instant, and what must have been so before. The stage lets
them hold in a world of the real loop, for as long as the rules look back, and looks at the rules by
`loop.step` all the while; what it finds then is what the engine finds.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from zoneinfo import ZoneInfo

from prove_past import counted_by_stages, counted_lately, events_of

from carerules.battery import shipped_chemistries
from carerules.domain.action import Charge, Drain
from carerules.domain.condition import (
    Condition,
    CountIn,
    CountSince,
    For,
    InLast,
    InSamples,
    OverWindow,
    SignalValue,
    TimeSince,
    TimeUntilUse,
    values,
    walk,
)
from carerules.domain.decision import AskPlug, Fired, Outcome, SwitchOff, SwitchOn, Veto
from carerules.domain.event import Attended, Event, PlugReport, Started, Tick
from carerules.domain.moment import DAY, HOUR, MINUTE, NEVER, Duration, LocalTime, Moment
from carerules.domain.pack import Limits, Pack, Plug, Site, Socket, Station
from carerules.domain.plan import Plan, Rule
from carerules.domain.quantity import CHARGE_LEVEL, Known, Reading, Truth
from carerules.domain.signal import catalogue
from carerules.lang import load
from carerules.lang.prove import PingPong, Proofs, State, Witness, prove
from carerules.loop import World, make_setup, new_world, step

MONDAY: Moment = 1_764_547_200_000  # Monday 1 December 2025, midnight UTC
SIGNALS = catalogue()
CHEMISTRIES = shipped_chemistries()

# So wide that nothing but the rules' own `never`s steps in.
WIDE = Limits(
    cell_v_floor=0.1, cell_v_ceiling=5.0, cell_v_harm=0.05, drain_c_min=-60, drain_c_max=130,
    charge_c_min=-60, charge_c_max=130, soc_floor=0.0, rest_before_charge=0,
)  # fmt: skip


def pack(name: str = "heron", **kept: object) -> Pack:
    """Six lipo cells of 16 Ah, unless said otherwise."""
    made = Pack(name, "lipo", 6, 16.0, WIDE, made=MONDAY - 100 * DAY)
    return replace(made, **kept)  # type: ignore[arg-type]


HERON = pack()


def plan_of(rules: str) -> Plan:
    """The plan of rule text; a mistake in it is a mistake of the test."""
    loaded = load({"kit.care": rules}, catalogue=SIGNALS)
    assert loaded.plan is not None, "\n".join(one.show(rules) for one in loaded.diagnostics)
    return loaded.plan


def proofs_of(rules: str, packs: Sequence[Pack] | None = (HERON,)) -> Proofs:
    return prove(plan_of(rules), SIGNALS, packs)


def codes(proofs: Proofs) -> list[str]:
    return [one.code for one in proofs.diagnostics()]


# ---- the stage ---------------------------------------------------------------------------------


@dataclass
class Stage:
    """A world in which a pack's values are what a state says, look by look."""

    plan: Plan
    packs: Sequence[Pack]
    name: str
    now: Moment = MONDAY
    outcomes: list[Outcome] = field(default_factory=list)
    plugs: dict[str, bool] = field(default_factory=lambda: {"load": False, "charger": False})
    asked: set[str] = field(default_factory=set)
    events: dict[str, tuple[Moment, ...]] | None = None
    planned_once: bool = False  # the use is planned beforehand and not put off look by look
    marked_soon: bool = False  # what a count starts anew from comes soon after what was before

    def __post_init__(self) -> None:
        site = Site(
            "stage", LocalTime(ZoneInfo("UTC")), {one.name: one for one in self.packs},
            {"bench": Station("bench", Socket("load", 60.0), Socket("charger", 200.0))},
            {name: Plug(name, "kit") for name in ("load", "charger")}, virtual=True,
        )  # fmt: skip
        setup = make_setup(site, CHEMISTRIES, SIGNALS, self.plan)
        self.world: World = new_world(setup, self.now)
        self.world = replace(self.world, packs={
            name: replace(state, station="bench") if name == self.name else state
            for name, state in self.world.packs.items()
        })  # fmt: skip
        self.hear(Started(self.now))
        self.answer()
        self.hear(Attended(self.now, NEVER))

    def hear(self, event: Event) -> None:
        self.world, outcomes = step(self.world, event)
        self.outcomes += outcomes
        for one in outcomes:
            if isinstance(one, SwitchOn):
                self.plugs[one.plug] = True
            elif isinstance(one, SwitchOff):
                self.plugs[one.plug] = False
            if isinstance(one, (SwitchOn, SwitchOff, AskPlug)):
                self.asked.add(one.plug)

    def answer(self) -> None:
        """Plugs that were spoken to, or are on, do as they are told and say so, 200 ms later."""
        self.asked |= {plug for plug, on in self.plugs.items() if on}
        if not self.asked:
            return
        asked, self.asked = self.asked, set()
        self.now += 200
        for plug in sorted(asked):
            on = self.plugs[plug]
            power = (60.0 if plug == "load" else 200.0) if on else 0.0
            self.hear(PlugReport(self.now, plug, on, power, 90.0 if on else None))

    def look(self, state: State, now: Moment, end: Moment) -> None:
        """Let the state hold at `now`, and look; what moves by itself is where it will be at `end`
        (a time since, a rest), or held where it is (a time until use, by putting the use off)."""
        if now >= self.now + 200:
            self.answer()
        assert now >= self.now
        self.now = now
        known = dict(state.values)
        before = self.world.packs[self.name]
        readings: dict[str, Reading] = dict(before.estimate.readings)
        readings.setdefault("pack.soc", Known(50.0, 0.0, now, "stage"))
        for name, level in _AT_EASE.items():
            readings[name] = Known(level, 0.0, now, "stage")
        room: dict[str, Reading] = dict(self.world.room)
        for name, level in _ROOM_AT_EASE.items():
            room[name] = Known(level, 0.0, now, "stage")
        for value, number in known.items():
            if not isinstance(value, SignalValue):
                continue
            if value.name in ("pack.rested", "pack.age"):
                begun = end - round(number)
                rested = Known(0.0, 0.0, begun, "stage", 1.0) if begun <= now else None
                readings[value.name] = rested or Known(0.0, 0.0, now, "stage")
            elif value.name.startswith("site."):
                room[value.name] = Known(number, 0.0, now, "stage")
            elif value.name.startswith("pack."):
                readings[value.name] = Known(number, 0.0, now, "stage")
        if (until := known.get(TimeUntilUse())) is not None:
            at = end if self.planned_once else now
            uses = () if until >= NEVER else (at + round(until),)
        else:
            uses = before.uses
        planned = events_of(known, end) if self.events is None else self.events
        happened = {
            event: tuple(at for at in times if at <= now) for event, times in planned.items()
        }
        after = replace(
            before, estimate=replace(before.estimate, readings=readings, doubts={}), uses=uses,
            happened={**before.happened, **happened}, due=now, jobs_due=now,
        )  # fmt: skip
        self.world = replace(self.world, packs={**self.world.packs, self.name: after}, room=room)
        self.hear(Tick(now))

    def hold(self, witness: Witness, *, wait: Duration | None = None) -> None:
        """Play the witness: its state for as long as the plan looks back, with what was before."""
        back = wait if wait is not None else looks_back(self.plan)
        end = self.now + back + HOUR
        if witness.state.clock is not None:
            week = (end - MONDAY) // (7 * DAY) + 1
            end = MONDAY + week * 7 * DAY + witness.state.clock
        self.events = self._events(witness, end)
        pace = max(MINUTE, min(10 * MINUTE, back // 30))
        start = end - back - 2 * pace
        at = max(start, self.now + 1_000)
        then = (end - time for time, _ in witness.before if time < NEVER)
        # What happens is seen as it happens: the engine looks whenever a count could change.
        events = (t for times in self.events.values() for t in times if at < t < end - 1_000)
        moments = sorted({*range(at, end - 10_000, pace), *then, *sorted(events)[-200:]})
        for moment in moments:
            self.look(self._then(witness, end - moment), moment, end)
        self.look(witness.state, end, end)
        self.events = None

    def _events(self, witness: Witness, end: Moment) -> dict[str, tuple[Moment, ...]]:
        """What happened when, for the state at the end and for those before it."""
        found = events_of(dict(witness.state.values), end)
        counted: dict[CountSince, list[tuple[Duration, int]]] = {}
        lately: dict[CountIn, list[tuple[Duration, int]]] = {}
        for time, state in witness.before:
            for value, number in state.values:
                if isinstance(value, TimeSince) and time < NEVER and number < NEVER:
                    at = end - time - round(number)
                    others = {t for t in found.get(value.event, ()) if not at < t <= end - time}
                    found[value.event] = tuple(sorted({*others, at}))
                elif isinstance(value, CountIn):
                    lately.setdefault(value, []).append((time, round(number)))
                elif isinstance(value, CountSince):
                    counted.setdefault(value, []).append((time, round(number)))
        for window, stages in lately.items():
            now = dict(witness.state.values).get(window)
            if {count for _, count in stages} == {now}:
                continue  # as it is now, and was all the time
            last = [(0, round(now))] if now is not None else []
            found[window.event] = counted_lately(window.time, [*stages, *last], end)
        for value, stages in counted.items():
            now = dict(witness.state.values).get(value)
            last = [(0, round(now))] if now is not None else []
            found |= counted_by_stages(value, [*stages, *last], end, soon=self.marked_soon)
        return found

    @staticmethod
    def _then(witness: Witness, ago: Duration) -> State:
        values = dict(witness.state.values)
        for time, state in witness.before:
            if time >= NEVER or time == ago:
                values.update(dict(state.values))
        return State(tuple(values.items()))

    # ---- what the engine makes of it ---------------------------------------------------------

    def truth(self, rule: Rule) -> Truth:
        bound = self.world.setup.bound[self.name].rules
        states = self.world.packs[self.name].rules
        (found,) = [s.truth for b, s in zip(bound, states, strict=True) if b.rule is rule]
        return found

    def fired(self) -> list[str]:
        return [one.rule for one in self.outcomes if isinstance(one, Fired)]

    def vetoes(self) -> list[Veto]:
        return [one for one in self.outcomes if isinstance(one, Veto)]

    def switched_on(self) -> bool:
        return any(isinstance(one, SwitchOn) for one in self.outcomes)


_ROOM_AT_EASE = {"site.temperature": 20.0, "site.smoke": 0.0}
_AT_EASE = {
    "pack.rested": 10.0 * HOUR, "pack.temperature": 20.0,
    "pack.cell.min": 3.8, "pack.cell.max": 3.8, "pack.voltage": 22.8,
}  # fmt: skip


def looks_back(plan: Plan) -> Duration:
    """How long before now anything in the plan can matter."""
    conditions: list[Condition] = [
        one for rule in plan.rules for one in (rule.when, rule.rearm_when, rule.stop_when) if one
    ]
    conditions += [never.when for never in plan.nevers]
    times: list[Duration] = [0]
    for whole in conditions:
        times.append(sum(_times(walk(whole))))
    return max(times)


def _times(parts: Iterable[Condition]) -> Iterable[Duration]:
    for part in parts:
        if isinstance(part, (For, InLast)):
            yield part.time
        elif isinstance(part, InSamples):
            yield HOUR
        for value in values(part):
            if isinstance(value, OverWindow):
                yield value.time


def played(rules: str | Plan, witness: Witness, packs: Sequence[Pack] = (HERON,)) -> Stage:
    """The stage after the witness was played."""
    plan = plan_of(rules) if isinstance(rules, str) else rules
    name = witness.pack if any(one.name == witness.pack for one in packs) else packs[0].name
    stage = Stage(plan, packs, name)
    stage.hold(witness)
    return stage


def truths(
    plan: Plan, witness: Witness, packs: Sequence[Pack] = (HERON,)
) -> list[Truth]:  # fmt: skip
    """What the engine makes of each rule at the witness.

    It does not say when its use was planned (put off again and again, or planned once), nor when
    between two moments a count began anew: in one of these ways it must come out.
    """
    found: list[Truth] = []
    for planned_once, marked_soon in product((False, True), repeat=2):
        stage = Stage(
            plan, packs, witness.pack, planned_once=planned_once, marked_soon=marked_soon
        )  # fmt: skip
        stage.hold(witness)
        found = [stage.truth(rule) for rule in plan.rules]
        if set(found) == {Truth.YES}:
            break
    return found


def rounds_of(plan: Plan, loop: PingPong, packs: Sequence[Pack]) -> int:
    """How often every rule of the loop fires when its states come one after the other, four times,
    each followed by the way of the charge to where its job brings the pack, point by point."""
    stage = Stage(plan, packs, loop.pack)
    soc = SignalValue("pack.soc", CHARGE_LEVEL)
    for _ in range(4):
        for rule, state in zip(loop.rules, loop.states, strict=True):
            stage.hold(Witness(loop.pack, state))
            level = dict(state.values)[soc]
            for action in rule.actions:
                if not isinstance(action, (Drain, Charge)):
                    continue
                while level != action.target:
                    step = min(1.0, abs(action.target - level))
                    level += step if action.target > level else -step
                    at = stage.now + MINUTE
                    on_the_way = {**dict(state.values), soc: level}
                    stage.look(State(tuple(on_the_way.items())), at, at)
    return min(stage.fired().count(rule.name) for rule in loop.rules)

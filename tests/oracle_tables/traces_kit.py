"""Formulas and traces as the oracle tables write them (docs/oracles), brought before our engine.

Two ways in: `engine_says`, where a condition is looked at whenever a signal changes and whenever an
answer said that it would, and `loop_fires`, where samples go through the real step.
"""

from __future__ import annotations

from collections.abc import Mapping
from zoneinfo import ZoneInfo

from carerules.battery import shipped_chemistries
from carerules.domain.action import Notify, Text
from carerules.domain.condition import And, Compare, Condition, For, InLast, Not, Or, SignalValue
from carerules.domain.decision import Fired
from carerules.domain.diagnostic import Span
from carerules.domain.event import Event, Sample, SiteSample, Started, Tick, Value
from carerules.domain.moment import MINUTE, NEVER, LocalTime, Moment
from carerules.domain.pack import Pack, Site
from carerules.domain.plan import Plan, Rule
from carerules.domain.quantity import SWITCH, TEMPERATURE, Known, Quantity, Reading, Truth, Unknown
from carerules.domain.selector import EVERY_PACK
from carerules.domain.signal import Signal, catalogue
from carerules.engine import Facts
from carerules.engine.expression import Ready, make_ready
from carerules.loop import Setup, World, make_setup, new_world, next_due, step

LETTER = {Truth.NO: "n", Truth.UNKNOWN: "u", Truth.YES: "y"}
UTC = LocalTime(ZoneInfo("UTC"))

KEPT = catalogue(
    Signal(f"site.{name}", SWITCH, None, 0, 1, "a signal of the tables", bridge=0) for name in "ab"
)
IS_ON = {
    name: Compare(SignalValue(f"site.{name}", SWITCH), "=", Quantity(1.0, SWITCH)) for name in "ab"
}


def read(trace: str) -> list[tuple[Moment, str]]:
    """`0y 5n` as [(0, "y"), (5, "n")]."""
    return [(int(word[:-1]), word[-1]) for word in trace.split()]


def write(steps: list[tuple[Moment, str]]) -> str:
    """The trace as text, without steps that change nothing."""
    kept = [one for at, one in enumerate(steps) if not at or steps[at - 1][1] != one[1]]
    return " ".join(f"{at}{letter}" for at, letter in kept)


def condition_of(formula: object, atoms: Mapping[str, Condition], unit: int = 1) -> Condition:
    """A formula of the tables as a condition of ours."""
    if isinstance(formula, str):
        return atoms[formula]
    assert isinstance(formula, list)
    kind, *rest = formula
    if kind in ("for", "in last"):
        inner = condition_of(rest[1], atoms, unit)
        return (For if kind == "for" else InLast)(inner, rest[0] * unit)
    parts = tuple(condition_of(one, atoms, unit) for one in rest)
    return Not(parts[0]) if kind == "not" else (And if kind == "and" else Or)(parts)


# ---- the engine by itself --------------------------------------------------------------------


def facts_with(site: Mapping[str, Reading]) -> Facts:
    return Facts({}, {}, site, {}, (), UTC)


def engine_says(ready: Ready, traces: Mapping[str, str], end: Moment) -> str:
    """The answers of a condition over traces, looked at when a trace changes and when it is due."""
    changes: dict[Moment, dict[str, str]] = {}
    for name, trace in traces.items():
        for at, letter in read(trace):
            changes.setdefault(at, {})[name] = letter
    memory, readings, answers = list(ready.fresh), dict[str, Reading](), list[tuple[Moment, str]]()
    due = 0
    moment = min(changes)
    while moment < end:
        for name, letter in changes.get(moment, {}).items():
            known = Known(float(letter == "y"), 0.0, moment, "table")
            readings[f"site.{name}"] = Unknown("stale") if letter == "u" else known
        truth, due = ready.run(facts_with(readings), moment, memory)
        assert due > moment
        answers.append((moment, LETTER[truth]))
        moment = min(due, *(at for at in changes if at > moment), end)
    return write(answers)


def ready_for(formula: object, *, pessimistic: bool = False) -> Ready:
    return make_ready(condition_of(formula, IS_ON), KEPT, pessimistic=pessimistic)


# ---- samples through the real step -----------------------------------------------------------

BEGIN: Moment = 1_764_892_800_000  # Friday 5 December 2025, midnight UTC
HEAT = {
    "a": Compare(SignalValue("pack.temperature", TEMPERATURE), ">", Quantity(40.0, TEMPERATURE)),
    "b": Compare(SignalValue("site.temperature", TEMPERATURE), ">", Quantity(40.0, TEMPERATURE)),
}
CHEMISTRIES = shipped_chemistries()


def setup_for(condition: Condition) -> Setup:
    pack = Pack("heron", "lipo", 6, 16.0, CHEMISTRIES["lipo"].limits)
    site = Site("river survey", UTC, {"heron": pack}, {}, {}, virtual=True)
    told = Notify(Text(("it holds",)))
    rule = Rule("held", EVERY_PACK, condition, (told,), Span("table.care", 1, 1, 1, 2))
    return make_setup(site, CHEMISTRIES, catalogue(), Plan((rule,)))


def loop_fires(formula: object, samples: Mapping[str, str], end: Moment) -> list[Moment]:
    """When the rule fires, in half minutes after the beginning; the odd one is the instant after
    the minute. Samples are in minutes: `0y 8n`."""
    world = new_world(setup_for(condition_of(formula, HEAT, MINUTE)), BEGIN)
    events: list[Event] = [Started(BEGIN)]
    for name, heard in samples.items():
        for minute, letter in read(heard):
            at = BEGIN + minute * MINUTE
            value = 41.0 if letter == "y" else 20.0
            if name == "a":
                shown = (Value("pack.temperature", value),)
                events.append(Sample(at, at, "heron", shown, "table"))
            else:
                events.append(SiteSample(at, at, (Value("site.temperature", value),), "table"))
    last = BEGIN + end // 2 * MINUTE - 1
    events.sort(key=lambda event: event.heard)
    found = list[Moment]()
    for event in events:
        if event.heard <= last:
            world, fired = wait(world, event.heard - 1)
            world, outcomes = step(world, event)
            found += fired + [one.since for one in outcomes if isinstance(one, Fired)]
    found += wait(world, last)[1]
    return [half_minutes(since - BEGIN) for since in found]


def wait(world: World, until: Moment) -> tuple[World, list[Moment]]:
    """The world told the time whenever it is due, and at the end; since when what fired is true."""
    found = list[Moment]()
    while (at := min(next_due(world), until)) > world.now and at < NEVER:
        world, outcomes = step(world, Tick(at))
        found += [one.since for one in outcomes if isinstance(one, Fired)]
    return world, found


def half_minutes(span: int) -> int:
    minutes, rest = divmod(span, MINUTE)
    assert rest in (0, 1), "neither a whole minute nor the instant after one"
    return 2 * minutes + rest


def activations(answer: str) -> list[Moment]:
    """When a rule fires by an answer of the table: at yes, once, until it has been no."""
    found, armed = list[Moment](), True
    for at, letter in read(answer):
        if letter == "y" and armed:
            found.append(at)
        armed = letter == "n" or (armed and letter != "y")
    return found

"""The same facts lead to the same decisions, however they come: properties of the real step.

Facts are drawn on a coarse grid near the limits of the rules, with silences that make measured
signals stale and gaps that are just bridged or just not. What must not matter: extra ticks, a fact
heard twice, the order in which facts come within the lateness, whether every look is made or most
are spared, and whether it is done a second time.
"""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace
from random import Random
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from kit import BEGIN, Stage, events_of, make_site, plan_of, run, setup_of, span

from carerules.domain.decision import Fired, LeftOut
from carerules.domain.event import Event, Happened, PlugReport, Sample, Started, Tick, Value
from carerules.domain.moment import MINUTE, SECOND, Moment
from carerules.engine import Places
from carerules.engine.hold import Run
from carerules.engine.watch import Watch
from carerules.loop import Setup, World, new_world, step

RULES = """
rule full
    when pack.soc >= 95 % for 2 h: notify "full"
rule hot
    when pack.temperature > 40 °C for 30 min: notify "hot"
rule was-hot
    when pack.temperature > 40 °C in last 20 min: notify "was hot"
rule mild
    when pack.temperature between 15 °C and 25 °C for 10 min: notify "mild"
rule cold-and-low
    when pack.temperature < 5 °C and pack.soc < 50 %: notify "cold and low"
rule low
    when pack.soc < 30 %:
        notify "low"
        rearm when pack.soc > 60 %
rule drifting
    when pack.cell.max > 4.1 V and not pack.cell.min > 4.05 V for 5 min: notify "apart"
rule used
    when count use in last 1 h >= 2 or time since use > 3 h: notify "used"
rule rested
    when pack.rested > 1 h: notify "rested"
never charge when pack.temperature > 45 °C in last 10 min
never drain when pack.temperature > 40 °C for 5 min
"""
SETUP = setup_of(RULES)
AFTER = span("3h")

temperatures = st.sampled_from([4.0, 5.0, 6.0, 15.0, 20.0, 25.0, 38.0, 39.5, 40.0, 40.5, 45.5])
charges = st.sampled_from([29.0, 30.0, 31.0, 49.9, 60.0, 61.0, 94.9, 95.0, 96.0, 100.0])
cell_volts = st.sampled_from([3.7, 4.04, 4.05, 4.06, 4.1, 4.11, 4.15])
gaps = st.sampled_from(
    [1, 500, SECOND, 10 * SECOND, 40 * SECOND, 5 * MINUTE, 10 * MINUTE, 10 * MINUTE + 1,
     15 * MINUTE, 20 * MINUTE, 20 * MINUTE + 1, 40 * MINUTE, 2 * 60 * MINUTE]
)  # fmt: skip


@st.composite
def facts(draw: Any) -> list[Event]:
    at, found = BEGIN, []
    for _ in range(draw(st.integers(1, 25))):
        at += draw(gaps)
        kind = draw(st.sampled_from(["soc", "t", "t", "t", "t+soc", "cells", "use", "amps"]))
        values: tuple[Value, ...] = ()
        cells: tuple[float, ...] = ()
        match kind:
            case "soc":
                values = (Value("pack.soc", draw(charges)),)
            case "t":
                values = (Value("pack.temperature", draw(temperatures), 0.4),)
            case "t+soc":
                values = (
                    Value("pack.temperature", draw(temperatures), 0.4),
                    Value("pack.soc", draw(charges)),
                )
            case "cells":
                cells = tuple(draw(cell_volts) for _ in range(6))
            case "amps":
                values = (Value("pack.current", draw(st.sampled_from([0.0, -5.0, 5.0]))),)
            case _:
                found.append(Happened(at, at, "heron", "use", "kit"))
                continue
        found.append(Sample(at, at, "heron", values, "kit", cells, 0.003))
    return found


def warm(*gaps: int, celsius: float = 40.5) -> list[Event]:
    """Samples of a warm pack, so long after one another."""
    at, found = BEGIN, list[Event]()
    for gap in gaps:
        at += gap
        found.append(Sample(at, at, "heron", (Value("pack.temperature", celsius, 0.4),), "kit"))
    return found


# A reading grows stale at the very moment of a sample: in the last millisecond in which it counts,
# in the first in which it does not, and at a moment that a `for` waits for as well.
STALE = 10 * MINUTE
LAST = warm(MINUTE, STALE, STALE, STALE)
GONE = warm(MINUTE, STALE + 1, STALE + 1, STALE + 1)
DUE = warm(MINUTE, STALE, STALE, STALE, celsius=25.0)
BOTH = [*LAST[:-1], *warm(MINUTE + 3 * STALE + 1, celsius=38.0)]
# A charge that jumps within its stretch, up and down: the limit below is met later, or sooner.
JUMP = [
    Sample(BEGIN + n * MINUTE, BEGIN + n * MINUTE, "heron", (Value("pack.soc", soc),), "kit")
    for n, soc in enumerate((61.0, 94.9, 61.0))
]


def stage(by: Any = step, setup: Setup = SETUP) -> Stage:
    begun = Stage(new_world(setup, BEGIN), step=by)
    begun.hear(Started(BEGIN))
    return begun


def activations(done: Stage) -> set[tuple[str, str, int]]:
    return {(one.rule, one.pack, one.since) for one in done.all(Fired)}


def known(done: Stage) -> list[Any]:
    rules = done.world.packs["heron"].rules
    return [(rule.key, rule.memory, rule.truth, rule.since) for rule in rules]


def runs(done: Stage) -> list[Any]:
    return [
        (key, memory, truth, since)
        for key, memory, truth, since in known(done)
        if all(isinstance(one, Run) for one in memory)
    ]


def told(done: Stage) -> list[str]:
    """Everything that was decided, with its moment."""
    return done.lines()


def go_through(
    events: list[Event], *, ticking: bool, by: Any = step, end: int = 0, setup: Setup = SETUP
) -> Stage:
    done = stage(by, setup)
    for event in events:
        if ticking and event.heard > done.now + 1:
            done.until(event.heard - 1)
        done.hear(event)
    done.until(max(end, end_of(events)), ticking=ticking)
    return done


def end_of(events: list[Event]) -> int:
    """Some hours after the last fact: what it leads to by itself is seen, too."""
    facts = [event.at for event in events if isinstance(event, (Sample, Happened))]
    return max(facts, default=BEGIN) + AFTER


@settings(max_examples=60, deadline=None)
@example(LAST, 1)
@example(GONE, 2)
@example(DUE, 3)
@example(BOTH, 4)
@given(facts(), st.integers(0, 2**32))
def test_ticks_and_repeats_change_nothing(events: list[Event], seed: int) -> None:
    """Each moment that is due, none at all, or some of them with facts heard once more."""
    end = end_of(events)
    wanted = activations(go_through(events, ticking=True))
    assert activations(go_through(events, ticking=False)) == wanted
    chance, heard = Random(seed), []
    for event, following in zip(events, [*events[1:], None], strict=True):
        heard.append(event)
        room = (following.heard if following else end) - event.heard
        for _ in range(chance.randrange(3)):
            # Before the next fact's own moment: a tick at the very millisecond of a fact may come
            # before it or after it, and the deadline of that millisecond with it.
            later = chance.randrange(max(1, room))
            at = event.heard + (later if chance.random() < 0.5 else min(later, 20 * SECOND))
            repeat = isinstance(event, Sample) and at - event.heard < 20 * SECOND
            again: Event = (
                replace(event, heard=at) if repeat and chance.random() < 0.5 else Tick(at)
            )
            heard.append(again)
    heard.sort(key=lambda event: event.heard)
    disturbed = go_through(heard, ticking=chance.random() < 0.5, end=end)
    assert activations(disturbed) == wanted


@settings(max_examples=60, deadline=None)
@example(LAST, 1)
@example(GONE, 2)
@example(DUE, 3)
@example(BOTH, 4)
@given(facts(), st.integers(0, 2**32))
def test_the_order_within_the_lateness_changes_nothing(events: list[Event], seed: int) -> None:
    """Facts that come up to 30 s late, one behind the other, are put in their place.

    Nothing may have been decided on the way that the late one would have undone: so nothing that is
    wanted may be missing, and nothing may be there twice.
    """
    samples = [event for event in events if isinstance(event, Sample)]
    chance = Random(seed)
    late = sorted(
        (replace(event, heard=event.at + chance.randrange(30 * SECOND)) for event in samples),
        key=lambda event: event.heard,
    )
    wanted = go_through(samples, ticking=False)
    got = go_through(late, ticking=False)
    assert not got.all(LeftOut)
    assert (
        got.world.packs["heron"].estimate.readings == wanted.world.packs["heron"].estimate.readings
    )
    # What `in last` remembers may be off by a look that was made before the late fact came, which
    # is at most the lateness; all else is exact.
    assert runs(got) == runs(wanted)
    assert {rule for rule, *_ in activations(wanted)} <= {rule for rule, *_ in activations(got)}


@settings(max_examples=120, deadline=None)
@example(events=LAST, ticking=True)
@example(events=GONE, ticking=True)
@example(events=GONE, ticking=False)
@example(events=DUE, ticking=True)
@example(events=BOTH, ticking=True)
@example(events=JUMP[:2], ticking=False)
@example(events=JUMP, ticking=False)
@given(facts(), st.booleans())
def test_sparing_looks_changes_nothing(events: list[Event], ticking: bool) -> None:
    """The watch only saves time: with it, and with every rule looked at for each sample, the same
    is decided and remembered.

    Without interlocks that look back, for which nothing is spared.
    """
    setup = setup_of(RULES[: RULES.index("never")])
    spared = go_through(events, ticking=ticking, setup=setup)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Watch, "moved", everyone)
        looked = go_through(events, ticking=ticking, setup=setup)
    assert told(spared) == told(looked)
    one, other = (done.world.packs["heron"] for done in (spared, looked))
    assert one.estimate == other.estimate
    # When a slope meets a limit is a float: from another sample of the same line it may round
    # to the next millisecond.
    assert known(spared) == known(looked)
    for a, b in zip(one.rules, other.rules, strict=True):
        assert a._replace(until=0) == b._replace(until=0)
        # A charge that jumped up within its stretch meets the limit below later than was foreseen:
        # a look too early finds nothing, one too late would.
        assert a.until <= b.until + 1


def everyone(watch: Watch, _: Any, readings: Any, now: Moment) -> tuple[Any, Places]:
    return watch.sections(readings, now), frozenset(range(len(SETUP.plan.rules) + 1))


@settings(max_examples=25, deadline=None)
@given(facts())
def test_the_step_leaves_the_world_as_it_was(events: list[Event]) -> None:
    """Pure: the world that was given is the same after, and the same again gives the same."""

    def checked(world: World, event: Event) -> Any:
        before = parts(world)
        after, outcomes = step(world, event)
        assert parts(world) == before
        again, outcomes_again = step(world, event)
        assert parts(again) == parts(after)
        assert list(outcomes_again) == list(outcomes)
        return after, outcomes

    go_through(events, ticking=True, by=checked)


def parts(world: World) -> dict[str, Any]:
    """Everything of a world but what a person wrote, copied."""
    names = [name for name in World.__dataclass_fields__ if name not in ("setup", "local")]
    return {name: deepcopy(getattr(world, name)) for name in names}


def test_the_step_is_pure_with_plugs_too() -> None:
    kept: list[tuple[World, dict[str, Any]]] = []

    def checked(world: World, event: Event) -> Any:
        kept.append((world, parts(world)))
        return step(world, event)

    site = make_site(stations=("bench",))
    done = Stage(new_world(setup_of("when pack.soc >= 95 %: drain to 80 %", site), BEGIN))
    done.step = checked
    done.hear(Started(BEGIN))
    done.until(BEGIN + SECOND)
    run(
        done,
        events_of("2s on=bench; 3s soc=96 cells=4.16,4.16,4.16,4.16,4.16,4.16 t=21; 4s t=21"),
        BEGIN + 5 * MINUTE,
    )
    assert any(isinstance(event, PlugReport) and event.on for event, _ in done.log)
    for world, before in kept:
        assert parts(world) == before


def test_an_interlock_that_looks_back_remembers_a_doubt() -> None:
    """39.5 ± 0.8 °C may be above 40 °C: for ten minutes after it the drain cannot be allowed."""
    rules = (
        'rule r\n    when pack.temperature > 80 °C: notify "x"\n'
        "never drain when pack.temperature > 40 °C in last 10 min\n"
    )
    done = Stage(new_world(setup_of(rules), BEGIN))
    done.hear(Started(BEGIN))
    for minute, celsius in ((1, 38.0), (2, 39.5), (3, 38.0)):
        at = BEGIN + minute * MINUTE
        value = Value("pack.temperature", celsius, 0.4)
        done.hear(Sample(at, at, "heron", (value,), "kit"))
    ((past,),) = done.world.packs["heron"].nevers
    assert past.unknown_end == BEGIN + 3 * MINUTE


def test_the_moment_of_the_examples_is_the_one_at_which_readings_grow_stale() -> None:
    assert SETUP.signals["pack.temperature"].max_age == STALE
    hot = {one.heard for one in LAST}
    fired = [one for one in go_through(LAST, ticking=True).all(Fired) if one.rule == "hot"]
    assert [one.since in hot for one in fired] == [True]
    assert not [one for one in go_through(warm(MINUTE, 2 * STALE + 2, 2 * STALE + 2), ticking=True)
                .all(Fired) if one.rule == "hot"]  # fmt: skip


def test_the_rules_of_this_file_are_all_there() -> None:
    assert len(plan_of(RULES).rules) == 9
    assert len(plan_of(RULES).nevers) == 2

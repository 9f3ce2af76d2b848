"""A service that was killed knows again what it knew: from any place in its journal.

A night is recorded, cut at any event, restored, and gone on with; it must come to the same rules,
chores and decisions as the world that was never cut, with a snapshot and without.
"""

from __future__ import annotations

from dataclasses import replace
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from kit import BEGIN, HOUR, MINUTE, SECOND, Stage, end_of, events_of, make_site, run, setup_of

from carerules.domain.decision import Fired, JobBegan, Notice, Outcome
from carerules.domain.event import Event, Sample, Started, Tick
from carerules.domain.moment import Moment
from carerules.loop import Setup, World, new_world, step
from carerules.service import dump_world, load_world, restore, worth_keeping

RULES = """
rule full
    when pack.soc >= 95 % for 24 h: notify "full"
rule low
    when pack.soc < 30 %:
        notify "low"
        rearm when pack.soc > 60 %
rule hot
    when pack.temperature > 40 °C for 30 min: notify "hot"
rule was-hot
    when pack.temperature > 40 °C in last 2 h: chore "look at {pack}"
rule worn
    when count charge since calibration >= 3:
        notify "calibrate"
        mark calibration
rule drain-it
    when pack.soc > 90 % for 1 h: drain to 60 %
rule tell-twice
    when pack.soc < 50 % for 2 h: notify "half empty"
rule tell-twice-again
    when pack.soc < 50 % for 2 h: notify "half empty, said by another rule"
"""
SETUP = setup_of(RULES)
STORY = (
    "0s soc=96; 10m t=41; 19m t=41; 28m t=41; 37m t=41; 46m t=41; 55m t=20; 1h5m soc=94; "
    "2h +charge; 3h soc=28; 3h30m soc=31; 4h soc=29; 5h +charge; 6h +charge; 7h soc=61; 8h soc=29; "
    "9h soc=29; 10h1s soc=99; 20h t=45; 21h t=20; 34h1s soc=98; 40h +calibration; 41h +charge; 42h"
)


class Store:
    """A journal of what was recorded, up to an event."""

    def __init__(self, log: list[tuple[Event, Any]], shots: list[tuple[int, str]]) -> None:
        kept = [(event, [one for one in outcomes if worth_keeping(one)]) for event, outcomes in log]
        # What the service does: a tick that led to nothing is not written.
        rows = [row for row in kept if row[1] or not isinstance(row[0], Tick)]
        self.rows = [(seq, *row) for seq, row in enumerate(rows, 1)]
        self.shots = shots

    def events(self, after_seq: int = 0) -> Any:
        return iter([(seq, event) for seq, event, _ in self.rows if seq > after_seq])

    def outcomes(self, after_seq: int = 0) -> Any:
        return iter(
            [(seq, one) for seq, _, outcomes in self.rows if seq > after_seq for one in outcomes]
        )

    def snapshots(self) -> list[tuple[int, str]]:
        return self.shots


def recorded(setup: Setup = SETUP) -> tuple[Stage, list[World]]:
    stage = Stage(new_world(setup, BEGIN))
    worlds: list[World] = []
    plain = stage.step

    def keep(world: World, event: Event) -> Any:
        after, outcomes = plain(world, event)
        worlds.append(after)
        return after, outcomes

    stage.step = keep
    stage.hear(Started(BEGIN))
    run(stage, events_of(STORY), end_of(STORY))
    return stage, worlds


STAGE, WORLDS = recorded()


def store_at(cut: int, shot: int | None) -> Store:
    """The journal after `cut` events, with a snapshot taken after `shot` of them."""
    if shot is None:
        return Store(STAGE.log[:cut], [])
    seq = len(Store(STAGE.log[:shot], []).rows)
    return Store(STAGE.log[:cut], [(seq, dump_world(WORLDS[shot - 1]))])


def gone_on(world: World, cut: int, at: Moment) -> Stage:
    """Started again, and the rest of the night."""
    stage = Stage(world, at)
    stage.hear(Started(at))
    rest = [event for event, _ in STAGE.log[cut:] if not isinstance(event, (Tick, Started))]
    run(stage, [event for event in rest if event.heard >= at], end_of(STORY))
    return stage


def remembered(world: World) -> Any:
    state = world.packs["heron"]
    rules = [(rule.key, rule.memory, rule.rearm_memory, rule.truth, rule.since, rule.armed)
             for rule in state.rules]  # fmt: skip
    return rules, state.estimate, state.happened, state.uses, state.nevers


def fired(outcomes: list[Outcome]) -> list[tuple[str, int]]:
    return [(one.rule, one.since) for one in outcomes if isinstance(one, Fired)]


def looked(world: World, at: Moment) -> World:
    """The world after one more look: what a restored one does before anything else."""
    return step(world, Started(at))[0]


def of_rules(world: World) -> Any:
    """The to-do list without what jobs wait for."""
    jobs = {job.id for state in world.packs.values() for job in state.jobs}
    return {key: chore for key, chore in world.chores.items() if key not in jobs}


CUTS = list(range(1, len(STAGE.log) + 1))
TOLD = fired([one for _, outs in STAGE.log for one in outs])


def test_the_recorded_night_is_rich() -> None:
    assert {name for name, _ in TOLD} == {
        "full", "low", "hot", "was-hot", "worn", "drain-it", "tell-twice", "tell-twice-again",
    }  # fmt: skip
    assert len([name for name, _ in TOLD if name == "low"]) == 2
    assert len(CUTS) > 40


@pytest.mark.parametrize("with_snapshot", [False, True], ids=["no snapshot", "snapshot"])
@pytest.mark.parametrize("cut", CUTS)
def test_any_cut(cut: int, with_snapshot: bool) -> None:
    shot = Random(cut).randrange(1, cut + 1) if with_snapshot else None
    at = WORLDS[cut - 1].now
    world = restore(store_at(cut, shot), SETUP, at)
    assert world.now <= at
    went, came = looked(WORLDS[cut - 1], at), looked(world, at)
    before = fired([one for _, outs in STAGE.log[:cut] for one in outs])
    if with_snapshot:
        assert remembered(came) == remembered(went)
        assert came.chores == went.chores
        assert came.packs["heron"].jobs == went.packs["heron"].jobs
    else:  # a job that was under way is begun anew, and asks anew for what it waits for
        assert of_rules(came) == of_rules(went)
    after = gone_on(world, cut, at)
    again = fired(after.all(Fired))
    unfinished = {job.rule for job in WORLDS[cut - 1].packs["heron"].jobs}
    if with_snapshot:
        assert before + again == TOLD
    else:  # a job that was under way is begun anew by its rule
        assert [one for one in again if one[0] not in unfinished] == [
            one for one in TOLD[len(before) :] if one[0] not in unfinished
        ]


@pytest.mark.parametrize("cut", CUTS)
def test_a_snapshot_comes_back_as_it_was(cut: int) -> None:
    world = WORLDS[cut - 1]
    back = load_world(dump_world(world), SETUP)
    assert back is not None
    for name in World.__dataclass_fields__:
        if name not in ("setup", "packs", "touched"):
            assert getattr(back, name) == getattr(world, name), name
    for name, state in world.packs.items():
        assert back.packs[name] == replace(state, recent=(), looked_at=None)
    assert dump_world(back) == dump_world(world)


def test_a_snapshot_that_is_none_is_passed_over() -> None:
    for text in ("", "{}", "[]", "null", '{"=": "World"}', dump_world(WORLDS[3])[:-1],
                 dump_world(WORLDS[3]).replace('"offset"', '"other"')):  # fmt: skip
        assert load_world(text, SETUP) is None
    cut = len(STAGE.log)
    spoilt = Store(STAGE.log, [(1, "spoilt"), *store_at(cut, 20).shots])
    at = WORLDS[-1].now
    assert remembered(looked(restore(spoilt, SETUP, at), at)) == remembered(looked(WORLDS[-1], at))


def test_an_empty_journal_is_a_new_world() -> None:
    assert restore(Store([], []), SETUP, BEGIN + 7) == new_world(SETUP, BEGIN + 7)


# ---- rules that changed ----------------------------------------------------------------------

FULL = 'rule full\n    when pack.soc >= 95 % for 24 h: notify "full"\n'
RENAMED = (
    '# what was `full` once\nrule left-full because "it ages"\n'
    '    when pack.soc >= 95 % for 24 h: notify "left full"\n'
)
LONGER = 'rule full\n    when pack.soc >= 95 % for 30 h: notify "full"\n'
OTHER = 'rule other\n    when pack.temperature > 90 °C: notify "on fire"\n'


def short(rules: str, story: str) -> Stage:
    stage = Stage(new_world(setup_of(rules), BEGIN))
    stage.hear(Started(BEGIN))
    run(stage, events_of(story), end_of(story))
    return stage


def resumed(stage: Stage, rules: str, until: str, *, snapshot: bool) -> Stage:
    setup = setup_of(rules)
    store = Store(stage.log, [])
    if snapshot:
        store.shots = [(len(store.rows), dump_world(stage.world))]
    after = Stage(restore(store, setup, stage.now), stage.now)
    after.hear(Started(stage.now))
    after.until(end_of(f"0s; {until}"))
    after.log = [*stage.log, *after.log]
    return after


# (what, rules before, story before, rules after, until, activations in all)
CHANGED = [
    ("another name and comment: the run goes on", FULL, "0s soc=97; 20h", RENAMED, "25h",
     ["left-full@1d"]),
    ("fired before, renamed after: not again", FULL, "0s soc=97; 25h", RENAMED, "60h",
     ["full@1d"]),
    ("a new rule learns from the facts", OTHER, "0s soc=97; 20h", OTHER + FULL, "25h", ["full@1d"]),
    ("a new rule that is true already fires", OTHER, "0s soc=97; 40h", OTHER + FULL, "41h",
     ["full@1d"]),
    ("another duration is worked out from the facts", FULL, "0s soc=97; 26h", LONGER, "31h",
     ["full@1d", "full@1d6h"]),
    ("taken out and put back: it does not fire for a run that it has fired for",
     FULL, "0s soc=97; 25h", None, "60h", ["full@1d"]),
]  # fmt: skip


@pytest.mark.parametrize("snapshot", [False, True], ids=["no snapshot", "snapshot"])
@pytest.mark.parametrize(
    ("what", "before", "story", "after", "until", "wanted"), CHANGED, ids=[r[0] for r in CHANGED]
)
def test_changed_rules(
    what: str, before: str, story: str, after: str | None, until: str, wanted: list[str],
    snapshot: bool,
) -> None:  # fmt: skip
    stage = short(before, story)
    if after is None:
        stage = resumed(stage, OTHER, "30h", snapshot=snapshot)
        after = before
    done = resumed(stage, after, until, snapshot=snapshot)
    assert done.fired() == wanted


@pytest.mark.parametrize("snapshot", [False, True], ids=["no snapshot", "snapshot"])
def test_a_rule_that_waits_to_be_re_armed_still_waits(snapshot: bool) -> None:
    """Fired at 29 %, seen at 31 %, then the service is begun anew: 29 % is no news until 60 %."""
    rules = RULES[RULES.index("rule low") : RULES.index("rule hot")]
    stage = short(rules, "0s soc=29; 1h soc=31; 2h")
    after = resumed(stage, rules, "3h", snapshot=snapshot)
    run(after, events_of("4h soc=29; 5h soc=61; 6h soc=29"), end_of("0s; 7h"))
    assert after.fired() == ["low@0s", "low@6h"]


def test_a_hold_counts_from_its_true_start_over_a_stop() -> None:
    """`for 24 h` over a kept signal: the facts are journalled, not the timer."""
    stage = short(FULL, "0s soc=97; 3h")
    store = Store(stage.log, [])
    world = restore(store, setup_of(FULL), BEGIN + 23 * HOUR)
    after = Stage(world, BEGIN + 23 * HOUR)
    after.hear(Started(BEGIN + 23 * HOUR, down=20 * HOUR))
    after.until(BEGIN + 30 * HOUR)
    assert after.fired() == ["full@1d"]
    # One that came due meanwhile fires at the start, with its true moment.
    late = Stage(restore(store, setup_of(FULL), BEGIN + 40 * HOUR), BEGIN + 40 * HOUR)
    late.hear(Started(BEGIN + 40 * HOUR, down=37 * HOUR))
    assert late.fired() in (["full@1d"], ["full@1d16h"])
    assert [one.text for one in late.all(Notice)] == ["full"]


def test_a_job_under_way_is_taken_up_from_a_snapshot() -> None:
    rules = "when pack.soc > 90 %:\n    drain to 60 %\n    mark calibration\n"
    site = make_site(stations=("bench",))
    setup = setup_of(rules, site)
    stage = Stage(new_world(setup, BEGIN))
    stage.hear(Started(BEGIN))
    stage.until(BEGIN + SECOND)
    cell = ",".join(["4.16"] * 6)
    run(stage, events_of(f"2s on=bench; 3s soc=96 t=21 cells={cell}"), BEGIN + 30 * SECOND)
    assert stage.world.plugs["bench-load"].on_at is not None
    store = Store(stage.log, [])
    store.shots = [(len(store.rows), dump_world(stage.world))]
    after = Stage(restore(store, setup, stage.now), stage.now)
    outcomes = after.hear(Started(stage.now))
    assert {getattr(one, "plug", "") for one in outcomes} >= {"bench-load", "bench-charger"}
    (job,) = after.jobs
    assert (job.id, job.phase.value, job.rounds) == ("heron-1", "waiting", 1)
    assert not after.all(JobBegan)


def test_a_job_under_other_rules_never_has_the_name_of_one_that_people_have_heard_of() -> None:
    """Found by campaign 1: a late yes to the old question would have answered the new one."""
    setup = setup_of('rule old\n    when pack.soc > 90 %: ask "drain {pack}?" within 2 h')
    stage = Stage(new_world(setup, BEGIN))
    stage.hear(Started(BEGIN))
    stage.until(BEGIN + SECOND)
    shot = (len(Store(stage.log, []).rows), dump_world(stage.world))
    run(stage, events_of("3s soc=96"), BEGIN + MINUTE)
    (old,) = stage.jobs
    other = setup_of('rule new\n    when pack.soc > 80 %: ask "charge {pack}?" within 2 h')
    after = Stage(restore(Store(stage.log, [shot]), other, stage.now), stage.now)
    after.hear(Started(stage.now))
    after.until(stage.now + MINUTE)
    (new,) = after.jobs
    assert (old.rule, new.rule) == ("old", "new")
    assert new.id != old.id


@settings(max_examples=30, deadline=None)
@given(st.integers(1, len(STAGE.log)), st.integers(0, 3 * MINUTE))
def test_killed_twice(cut: int, pause: int) -> None:
    """Killed, begun anew, and killed again at once: the same as once."""
    at = WORLDS[cut - 1].now
    once = restore(store_at(cut, cut), SETUP, at)
    stage = Stage(once, at)
    stage.hear(Started(at + pause))
    log = [*STAGE.log[:cut], *stage.log]
    twice = restore(Store(log, store_at(cut, cut).shots), SETUP, at + pause)
    assert remembered(twice) == remembered(stage.world)
    assert twice.chores == stage.world.chores
    assert not isinstance(log[-1][0], Sample)

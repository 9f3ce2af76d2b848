"""What follows when a rule has fired: jobs from their first line to their end, as tables."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from kit import (
    BEGIN,
    HOUR,
    MINUTE,
    SECOND,
    Stage,
    events_of,
    make_site,
    play,
    run,
    sample,
    stage_of,
)

from carerules.domain.decision import (
    ChoreClosed,
    ChoreOpened,
    Fired,
    JobBegan,
    JobEnded,
    JobMoved,
    Marked,
    Notice,
    PackBarred,
    SwitchOn,
)
from carerules.domain.event import Answered, Attended, Cancelled, Placed, Released, Stopped
from carerules.domain.moment import Moment
from carerules.loop import next_due, say_chore

BENCH = make_site(stations=("bench",))


def on_bench(rules: str, *, soc: float = 90.0, cell: float = 4.08, then: int = 0) -> Stage:
    stage = stage_of(rules, BENCH)
    stage.hear(Placed(BEGIN + 1, "heron", "bench"))
    level = {"soc": soc, "cell": cell}

    def feed(at: Moment) -> Any:
        return sample(at, "heron", soc=level["soc"], cell=level["cell"], temperature=21)

    stage.feeds["heron"] = feed
    stage.level = level  # type: ignore[attr-defined]
    stage.until(BEGIN + (then or 30 * SECOND))
    return stage


def endings(stage: Stage) -> list[tuple[str, str]]:
    return [(one.rule, one.ending.value) for one in stage.all(JobEnded)]


def is_on(stage: Stage, side: str = "load") -> bool:
    return stage.world.plugs[f"bench-{side}"].on_at is not None


# ---- energy ----------------------------------------------------------------------------------


def test_a_drain_goes_on_when_its_condition_turns_false() -> None:
    stage = on_bench("rule r\n    when pack.soc > 85 %: drain to 70 %\n")
    assert is_on(stage)
    stage.level.update(soc=80.0, cell=4.0)  # type: ignore[attr-defined]
    stage.until(BEGIN + 5 * MINUTE)
    assert is_on(stage)
    assert not stage.all(JobEnded)


def test_a_job_not_yet_begun_is_dropped_when_its_condition_turns_false() -> None:
    stage = play("rule r\n    when pack.soc > 85 %: drain to 70 %\n", "0s soc=90; 1h soc=80; 2h")
    assert endings(stage) == [("r", "not needed")]
    assert len(stage.all(ChoreOpened)) == len(stage.all(ChoreClosed)) == 1
    assert not stage.world.chores


def test_a_drain_on_no_station_is_a_chore_until_it_hangs_there() -> None:
    stage = stage_of("rule r\n    when pack.soc > 85 %: drain to 70 %\n", BENCH)
    stage.until(BEGIN + SECOND)
    run(stage, events_of("2s soc=90 cells=4.08,4.08,4.08,4.08,4.08,4.08 t=21"), BEGIN + 20 * SECOND)
    (chore,) = stage.all(ChoreOpened)
    assert chore.text.startswith("put heron on a station with a load: drain to 70 % (about ")
    stage.hear(Placed(stage.now, "heron", "bench"))
    stage.until(stage.now + 5 * SECOND)
    assert is_on(stage)
    assert not stage.world.chores


def test_stop_when_ends_the_job_and_the_load() -> None:
    stage = on_bench(
        "rule r\n    when pack.soc > 85 %:\n        drain to 70 %\n"
        "        stop when pack.temperature > 30 °C\n"
    )
    assert is_on(stage)
    stage.feeds.clear()
    stage.hear(sample(stage.now, temperature=31, cell=4.0))
    assert endings(stage) == [("r", "stopped by its own condition")]
    assert not is_on(stage)


def test_stop_when_may_hold_for_a_while() -> None:
    stage = on_bench(
        "rule r\n    when pack.soc > 85 %:\n        drain to 70 %\n"
        "        stop when pack.soc > 60 % for 10 min\n"
    )
    stage.until(BEGIN + 10 * MINUTE + 9 * SECOND)
    assert is_on(stage)
    stage.until(BEGIN + 10 * MINUTE + 10 * SECOND)
    assert [show for show, _ in stage.timed(JobEnded)] == ["10m10s"]
    assert not is_on(stage)


def test_a_window_keeps_a_drain_waiting_and_ends_it() -> None:
    rules = "rule r\n    when pack.soc > 85 %: drain to 20 % during 00:10-00:20\n"
    stage = on_bench(rules, then=9 * MINUTE)
    assert not is_on(stage)
    stage.until(BEGIN + 10 * MINUTE + SECOND)
    assert is_on(stage)
    stage.until(BEGIN + 20 * MINUTE)
    assert not is_on(stage)
    assert not stage.all(JobEnded)


def test_a_load_that_is_too_strong_is_not_used() -> None:
    stage = on_bench("rule r\n    when pack.soc > 85 %: drain to 70 % at most 50 W\n")
    assert not is_on(stage)
    (chore,) = stage.all(ChoreOpened)
    assert chore.text == "put heron on a station with a smaller load"


def test_the_least_energy_goes_first_where_nothing_else_decides() -> None:
    stage = on_bench(
        "rule deep\n    when pack.soc > 85 %: drain to 20 %\n"
        "rule shallow\n    when pack.soc > 86 %: drain to 70 %\n"
    )
    assert stage.all(SwitchOn)[0].job == "heron-2"
    assert [job.why for job in stage.jobs if job.rule == "deep"] == ["waits for rule shallow"]


def test_over_goes_before_the_least_energy() -> None:
    stage = on_bench(
        "rule deep over shallow\n    when pack.soc > 85 %: drain to 20 %\n"
        "rule shallow\n    when pack.soc > 86 %: drain to 70 %\n"
    )
    assert stage.all(SwitchOn)[0].job == "heron-1"


def test_charging_waits_for_a_person() -> None:
    rules = "rule r\n    when pack.soc < 60 %: charge to 80 %\n"
    stage = on_bench(rules, soc=50, cell=3.81)
    stage.until(BEGIN + 25 * MINUTE)
    assert not is_on(stage, "charger")
    assert [one.text for one in stage.world.chores.values()] == [
        "to charge to 80 %: stay with it and say `carerules attend 60`"
    ]
    stage.hear(Attended(stage.now, stage.now + HOUR))
    stage.until(stage.now + 2 * MINUTE)
    assert is_on(stage, "charger")
    assert not stage.world.chores
    stage.until(BEGIN + 25 * MINUTE + HOUR)
    assert not is_on(stage, "charger")


def test_cancelling_ends_a_job_and_its_load() -> None:
    stage = on_bench("rule r\n    when pack.soc > 85 %: drain to 70 %\n")
    stage.hear(Cancelled(stage.now, "heron-1"))
    assert endings(stage) == [("r", "cancelled")]
    assert not is_on(stage)
    assert not stage.jobs
    stage.hear(Cancelled(stage.now, "heron-1"))  # once more: it is over already
    assert endings(stage) == [("r", "cancelled")]


def test_stop_holds_until_the_site_is_released() -> None:
    stage = on_bench("rule r\n    when pack.soc > 85 %: drain to 70 %\n")
    stage.hear(Stopped(stage.now, "a person"))
    assert not is_on(stage)
    assert endings(stage) == [("r", "cancelled")]
    stage.level.update(soc=60.0, cell=3.86)  # type: ignore[attr-defined]
    stage.until(BEGIN + MINUTE)
    stage.level.update(soc=90.0, cell=4.08)  # type: ignore[attr-defined]
    stage.until(BEGIN + 20 * MINUTE)
    assert len(stage.all(Fired)) == 2
    assert not is_on(stage)
    stage.hear(Released(stage.now, "site"))
    stage.until(stage.now + 2 * MINUTE)
    assert is_on(stage)


# ---- lines that are done by saying so --------------------------------------------------------


def test_lines_run_in_order() -> None:
    rules = (
        'rule r\n    when pack.soc > 85 %:\n        notify "one"\n        rest 10 min\n'
        '        mark calibration\n        notify "two" urgent to phone\n'
    )
    stage = play(rules, "0s soc=90; 1h")
    said = [(show, getattr(one, "text", "mark")) for show, one in stage.timed(Notice, Marked)]
    assert said == [("0s", "one"), ("10m", "mark"), ("10m", "two")]
    assert [(one.urgent, one.to) for one in stage.all(Notice)] == [(False, ""), (True, "phone")]
    assert endings(stage) == [("r", "done")]


def test_a_mark_makes_another_rule_true_in_the_same_turn() -> None:
    rules = (
        "rule first\n    when pack.soc > 85 %: mark calibration\n"
        'rule second\n    when count calibration in last 1 h >= 1: notify "marked"\n'
    )
    stage = play(rules, "5s soc=90; 6s")
    assert [(show, one.rule) for show, one in stage.timed(Fired)] == [
        ("5s", "first"), ("5s", "second"),
    ]  # fmt: skip
    assert len(stage.all(Notice)) == 1


def test_a_long_chain_of_marks_is_gone_through_to_its_end() -> None:
    """More links than one turn goes through: the rest comes at the next look, and none is lost."""
    names = [f"step-{number}" for number in range(9)]
    rules = f"rule r0\n    when pack.soc > 85 %: mark {names[0]}\n" + "".join(
        f"rule r{at}\n    when count {before} in last 1 h >= 1: mark {after}\n"
        for at, (before, after) in enumerate(pairwise(names), 1)
    )
    stage = play(rules, "5s soc=90; 6s")
    assert [one.event for one in stage.all(Marked)] == names
    assert not stage.jobs
    assert next_due(stage.world) > stage.now


def test_a_chore_goes_when_its_rule_is_no_longer_true() -> None:
    stage = play('rule r\n    when pack.soc < 30 %: chore "charge {pack}"\n', "0s soc=20; 1h")
    assert [one.text for one in stage.world.chores.values()] == ["charge heron"]
    run(stage, events_of("2h soc=50"), BEGIN + 3 * HOUR)
    assert not stage.world.chores


@pytest.mark.parametrize(
    ("answer", "after", "wanted", "said"),
    [
        (True, 5 * MINUTE, "done", ["after"]),
        (False, 5 * MINUTE, "cancelled", []),
        (None, 0, "cancelled", []),
        (True, 2 * HOUR, "cancelled", []),
    ],
    ids=["yes", "no", "nobody answers", "too late"],
)
def test_ask(answer: bool | None, after: int, wanted: str, said: list[str]) -> None:
    rules = (
        'rule r\n    when pack.soc > 85 %:\n        ask "drain {pack}?" within 1 h\n'
        '        notify "after"\n'
    )
    stage = play(rules, "0s soc=90; 1s")
    assert [one.text for one in stage.world.chores.values()] == [
        "drain heron? (`carerules answer heron-1 yes`)"
    ]
    stage.until(BEGIN + max(after, SECOND + 1))
    if answer is not None:
        stage.hear(Answered(stage.now, "heron-1", answer))
    stage.until(BEGIN + 3 * HOUR)
    assert endings(stage) == [("r", wanted)]
    assert [one.text for one in stage.all(Notice) if one.key[:5] != "chore"] == said
    assert not stage.world.chores


def test_a_rule_that_fires_anew_starts_its_job_over() -> None:
    rules = 'rule r\n    when pack.soc > 85 %:\n        rest 5 h\n        notify "rested"\n'
    stage = play(rules, "0s soc=90; 1h soc=80; 2h soc=90; 8h")
    assert [one.job for one in stage.all(JobBegan)] == ["heron-1", "heron-2"]
    assert endings(stage) == [("r", "cancelled"), ("r", "done")]
    assert [show for show, one in stage.timed(Notice)] == ["7h"]


def test_quarantine_and_release() -> None:
    rules = (
        "rule q\n    when pack.temperature > 60 °C: quarantine\n"
        "rule d\n    when pack.soc > 85 %: drain to 70 %\n"
    )
    stage = on_bench(rules)
    assert is_on(stage)
    stage.hear(sample(stage.now, temperature=61, cell=4.0))
    assert [one.retired for one in stage.all(PackBarred)] == [False]
    assert not is_on(stage)
    assert ("d", "refused") in endings(stage)
    stage.hear(Released(stage.now, "heron"))
    assert not stage.world.packs["heron"].barred


@pytest.mark.parametrize(
    ("event", "barred"),
    [("0s +swelling; 1s", True), ("0s cells=2.99,3.9,3.9,3.9,3.9,3.9; 1s", True),
     ("0s cells=3.0,3.9,3.9,3.9,3.9,3.9; 1s", False)],
)  # fmt: skip
def test_a_pack_that_came_to_harm_is_barred_with_no_rule_asking(event: str, barred: bool) -> None:
    stage = play('rule r\n    when pack.soc > 99 %: notify "x"\n', event)
    assert bool(stage.world.packs["heron"].barred) is barred


@pytest.mark.parametrize(("event", "told"), [("1h +swelling", True), ("1h +inspected", False)])
def test_a_chore_of_a_barred_pack_says_that_it_is_not_to_be_charged(event: str, told: bool) -> None:
    """A rule that wants a capacity measured knows nothing of a bar."""
    rules = 'rule r\n    when pack.soc > 10 %: chore "charge {pack} full"\n'
    stage = play(rules, f"0s soc=50; {event}; 2h")
    (chore,) = stage.world.chores.values()
    assert chore.text == "charge heron full"
    but = "; but heron is barred: neither charge nor use it before `carerules release heron`"
    assert say_chore(chore, stage.world) == chore.text + but * told
    stage.hear(Released(stage.now, "heron"))
    assert say_chore(chore, stage.world) == chore.text


def test_a_retired_pack_fires_nothing_until_it_is_released() -> None:
    rules = (
        'rule old\n    when pack.soc < 10 %: retire because "worn"\n'
        'rule r\n    when pack.soc > 85 %: notify "full"\n'
    )
    stage = play(rules, "0s soc=5; 1h soc=90; 2h")
    assert stage.fired() == ["old@0s"]
    assert [one.text for one in stage.world.chores.values()] == ["retire heron: worn"]
    stage.hear(Released(stage.now, "heron"))
    assert not stage.world.chores
    run(stage, events_of("3h soc=50; 4h soc=90"), BEGIN + 5 * HOUR)
    assert stage.fired()[-1] == "r@4h"


def test_a_veto_whose_figures_change_with_each_sample_is_told_once() -> None:
    stage = on_bench("rule keep\n    when pack.soc >= 60 %: drain to 50 %", then=1)

    def hot(at: Moment) -> Any:
        return sample(at, soc=90.0, cell=4.08, temperature=52.0 + (at - BEGIN) / HOUR)

    stage.feeds["heron"] = hot
    stage.until(BEGIN + 30 * MINUTE)
    told = [one.why for one in stage.all(JobMoved) if one.why.startswith("temperature: ")]
    assert len(told) == 1, told
    (job,) = stage.jobs
    assert job.why.startswith("temperature: "), job.why
    assert job.why != told[0], "whoever asks hears the last figure"

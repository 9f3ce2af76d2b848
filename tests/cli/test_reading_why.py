"""`why`: each part with its truth and value, what comes next, and the past as it was decided."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pytest
from reading_kit import (
    FIRES,
    FULL,
    LOCAL,
    RULES,
    T0,
    Story,
    begin,
    draining_heron,
    full_heron,
    off_reports,
    seen_heron,
)

from carerules.adapters import SqliteJournal
from carerules.domain.decision import Fired, Veto
from carerules.domain.event import (
    Attended,
    Ended,
    Happened,
    Placed,
    PlugReport,
    Sample,
    Tick,
    Value,
)
from carerules.domain.moment import DAY, HOUR, MINUTE, SECOND, Moment
from carerules.loop import World, foresee, next_due, step
from carerules.report import WhyShape, why_of
from carerules.report.shapes import PartShape, RuleShape
from carerules.service.reading import Past, reader_of


def why(story: Story, *words: str) -> WhyShape:
    shown = story.run("why", *words, "--json")
    assert shown.exit_code == 0, shown.output
    return WhyShape.model_validate_json(shown.stdout)


def rule_of(shape: WhyShape, name: str) -> RuleShape:
    return next(rule for rule in shape.rules if rule.rule == name)


def iso(moment: Moment) -> str:
    return LOCAL.read(moment).replace(tzinfo=None).isoformat(timespec="milliseconds")


# ---- now -------------------------------------------------------------------------------------


def test_each_part_has_its_truth_its_value_its_age_and_its_source(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.go(seen_heron(FULL + 18 * HOUR + 12 * MINUTE))
    rule = rule_of(why(story, "heron"), "full-too-long")
    hold, until_use = rule.when.parts
    assert (rule.holds, hold.holds, until_use.holds) == ("no", "no", "yes")
    assert (hold.ran_s, hold.wanted_s) == (18 * 3600 + 12 * 60, 24 * 3600)
    (soc,) = hold.parts[0].seen
    assert (soc.value, soc.unit, soc.stale) == ("pack.soc", "%", False)
    # said to be full, and weighed since against the voltage of its rest
    assert soc.number == pytest.approx(99.6, abs=0.2)
    assert soc.spread == pytest.approx(2.0, abs=0.3)
    assert soc.source == "rest voltage"
    (ahead,) = until_use.seen
    assert ahead.unit == "s"
    assert ahead.number == pytest.approx((4 * 24 + 14) * 3600 - 18 * 3600 - 13 * 60)


def test_the_words_say_the_same(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.go(seen_heron(FULL + 18 * HOUR + 12 * MINUTE))
    shown = story.run("why", "heron", "full-too-long").output
    assert "pack.soc >= 95 % for 24 h: no (18 h 12 min of 24 h)" in shown
    assert "fires Tue 01 Dec 18:01, in 5 h 48 min, if nothing changes" in shown
    assert "rule warm" not in shown


def test_a_reading_that_went_stale_is_shown_and_not_gone_by(tmp_path: Path) -> None:
    story = begin(tmp_path)
    story.go(seen_heron(T0 + MINUTE), Tick(T0 + HOUR))
    story.snapshot()
    part = rule_of(why(story, "heron"), "warm").when
    (seen,) = part.parts[0].seen
    assert part.holds == "unknown"
    assert (seen.stale, seen.age_s) == (True, 59 * 60)
    assert "too old to go by" in story.run("why", "heron").output


def test_a_pack_on_no_station_is_told_where_to_put_it(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.go(Placed(FULL + HOUR, "heron", None))
    obstacle = rule_of(why(story, "heron"), "full-too-long").obstacle
    assert obstacle is not None
    assert (obstacle.interlock, obstacle.what) == (None, "heron is on no station with a load")


def test_the_veto_foreseen_is_the_veto_that_comes(tmp_path: Path) -> None:
    """The interlock is asked in the same words that it will answer the job in."""
    story = full_heron(tmp_path)
    story.go(Tick(FIRES - SECOND))
    story.snapshot()
    obstacle = rule_of(why(story, "heron"), "full-too-long").obstacle
    story.go(Tick(FIRES))
    vetoes = [one for _, told, _ in story.told for one in told if isinstance(one, Veto)]
    assert len(vetoes) == 1
    assert obstacle is not None
    assert (obstacle.interlock, obstacle.what) == (vetoes[0].interlock, vetoes[0].show())


def test_no_veto_is_foreseen_where_the_drain_begins(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.go(seen_heron(FIRES - 5 * SECOND))
    story.snapshot()
    rule = rule_of(why(story, "heron"), "full-too-long")
    assert rule.moves_energy
    assert rule.obstacle is None
    story.go(Tick(FIRES))
    assert story.world.plugs["A-load"].on_at == FIRES


def test_an_author_s_interlock_that_cannot_be_ruled_out_says_so(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    (never,) = why(story, "heron").nevers
    assert (never.forbids, never.holds) == ("charge", "unknown")
    story.go(seen_heron(FULL + HOUR, temperature=21.0))
    assert why(story, "heron").nevers[0].holds == "no"
    story.go(seen_heron(FULL + 2 * HOUR, temperature=3.0))
    assert why(story, "heron").nevers[0].holds == "yes"


# ---- what comes next -------------------------------------------------------------------------

KEPT = {
    "full": "when pack.soc >= 95 for 24 h: notify \"a\"",
    "shelf loss": "when pack.soc < 99.5 %: notify \"a\"",
    "a use comes near": "when time until use <= 6 h: notify \"a\"",
    "between two": "when time until use between 1 h and 2 h: notify \"a\"",
    "at night": "when pack.soc > 90 % and during 22:00-06:00: notify \"a\"",
    "at the week's end": "when pack.soc > 90 % for 1 h and on sat: notify \"a\"",
    "after the use": "when time until use > 30 d and pack.soc > 90 %: notify \"a\"",
    "a day after": "when time since full > 36 h and pack.soc > 90 %: notify \"a\"",
    "no more": "when time since full <= 1 h and pack.soc < 50 %: notify \"a\"",
    "once in a while": "when not (time since full <= 5 h) and pack.soc > 90 %: notify \"a\"",
}  # fmt: skip


def fires(world: World, end: Moment) -> Moment | None:
    """When the one rule fires for heron, found by letting the time come: no foresight."""
    while (due := next_due(world)) <= end:
        world, outcomes = step(world, Tick(due))
        for outcome in outcomes:
            if isinstance(outcome, Fired) and outcome.pack == "heron":
                return outcome.since
    return None


@pytest.mark.parametrize("rule", KEPT.values(), ids=KEPT)
def test_what_is_foreseen_is_what_comes(tmp_path: Path, rule: str) -> None:
    story = full_heron(tmp_path, rules=f"rule one on pack heron {rule}\n")
    world = story.world
    if any(isinstance(one, Fired) for _, told, _ in story.told for one in told):
        pytest.fail("the rule must not have fired before it is foreseen")
    foreseen = foresee(world, "heron")
    (key,) = [bound.key for bound in world.setup.bound["heron"].rules]
    assert foreseen.get(key) == fires(world, world.now + 30 * DAY)


def test_a_fresh_measurement_is_taken_to_stay_as_it_is(tmp_path: Path) -> None:
    story = begin(tmp_path, rules=RULES.replace("for 5 min", "for 30 min"))
    story.go(seen_heron(T0 + MINUTE, temperature=45.0))
    warm = rule_of(why(story, "heron"), "warm")
    assert warm.fires_at == LOCAL.read(T0 + 31 * MINUTE)
    # And so it is where the sensor goes on saying it.
    for minute in range(2, 32):
        story.go(seen_heron(T0 + minute * MINUTE, temperature=45.0))
    fired = [one for _, told, _ in story.told for one in told if isinstance(one, Fired)]
    assert [(one.rule, one.since) for one in fired] == [("warm", T0 + 31 * MINUTE)]


def test_a_stale_measurement_makes_nothing_fire(tmp_path: Path) -> None:
    story = begin(tmp_path)
    story.go(seen_heron(T0 + MINUTE, temperature=45.0), Tick(T0 + 30 * MINUTE))
    story.snapshot()
    assert rule_of(why(story, "heron"), "warm").fires_at is None


def test_a_rule_that_has_fired_stays_so_while_nothing_is_known(tmp_path: Path) -> None:
    story = begin(tmp_path)
    for minute in range(1, 7):
        story.go(seen_heron(T0 + minute * MINUTE, temperature=45.0))
    warm = rule_of(why(story, "heron"), "warm")
    assert (warm.holds, warm.fired, warm.fires_at) == ("yes", True, None)
    story.go(Tick(T0 + HOUR))
    story.snapshot()
    warm = rule_of(why(story, "heron"), "warm")
    assert (warm.holds, warm.fired) == ("unknown", True)
    assert "fires again when it has been false in between" in story.run("why", "heron").output
    story.go(seen_heron(T0 + 2 * HOUR))
    assert not rule_of(why(story, "heron"), "warm").fired


def test_what_stops_and_what_re_arms_is_shown(tmp_path: Path) -> None:
    rules = (
        "rule once on pack heron\n    when pack.soc > 90 %:\n        drain to 50 %\n"
        "        stop when pack.temperature > 40 °C\n        rearm when pack.soc < 20 %\n"
    )
    story = full_heron(tmp_path, rules=rules)
    story.snapshot()
    rule = rule_of(why(story, "heron"), "once")
    assert rule.stop is not None
    assert rule.rearm is not None
    assert (rule.fired, rule.stop.holds, rule.rearm.holds) == (True, "unknown", "no")
    shown = story.run("why", "heron").output
    assert "is re-armed when:\n    pack.soc < 20 %: no" in shown
    assert "fires again when it has been re-armed in between" in shown


# ---- the past --------------------------------------------------------------------------------


def long_story(folder: Path) -> Story:
    """A drain to its end with readings each minute, a restart, and a person's words."""
    story = draining_heron(folder)
    at = FIRES + SECOND
    for _ in range(6):
        at += 20 * SECOND
        story.go(PlugReport(at, "A-load", True, 58.0, 80.0), seen_heron(at, 4.10, current=-2.3))
    story.snapshot()
    story.go(Attended(at + SECOND, at + HOUR))
    story.restart(at + 10 * MINUTE)
    story.go(seen_heron(at + 11 * MINUTE, 4.12))
    story.go(Happened(at + 30 * MINUTE, at + 30 * MINUTE, "egret", "swelling", "a person"))
    later = at + 40 * MINUTE
    story.go(Sample(later, later, "heron", (Value("pack.soc", 79.0, 1.0),), "a person"))
    story.go(*off_reports(at + 41 * MINUTE), Tick(at + 70 * MINUTE))
    story.snapshot()
    return story


def looked_back(story: Story, moment: Moment, pack: str) -> Past:
    journal = SqliteJournal.open(story.journal_path, owner=False)
    try:
        return reader_of(story.site, story.journal_path, journal).at(moment, pack)
    finally:
        journal.close()


@pytest.mark.parametrize("pack", ["heron", "egret"])
def test_the_past_is_explained_as_it_was(tmp_path: Path, pack: str) -> None:
    """At the moment of each event the replay knows what the service knew: whole shapes equal."""
    story = long_story(tmp_path)
    worlds = [(event.heard, world) for event, _, world in story.told]
    compared = 0
    for moment in sorted({heard for heard, _ in worlds}):
        past = looked_back(story, moment, pack)
        assert past.exact
        if past.decisions:
            continue  # shown at the instant of the decision: the next two tests
        world = [world for heard, world in worlds if heard <= moment][-1]
        assert why_of(past.world, pack) == why_of(world, pack)
        compared += 1
    assert compared > 5


def test_a_decision_is_explained_with_the_reasons_that_were_journalled(tmp_path: Path) -> None:
    story = long_story(tmp_path)
    decided = [
        (event.heard, one)
        for event, told, _ in story.told
        for one in told
        if isinstance(one, Fired)
    ]
    assert {one.rule for _, one in decided} == {"full-too-long"}
    for heard, fired in decided:
        shape = why(story, fired.pack, "--at", iso(heard))
        rule = rule_of(shape, fired.rule)
        assert shape.exact
        assert shape.at == LOCAL.read(heard)
        assert (rule.holds, rule.fired) == ("yes", True)
        assert sorted(said(rule.when)) == sorted(fired.reasons)
        assert any(f"rule {fired.rule} fires" in line.text for line in shape.decisions)


def said(part: PartShape) -> set[str]:
    own = {f"{seen.value} {seen.found}" for seen in part.seen}
    if part.wanted_s is not None:
        assert part.ran_s is not None
        hours = timedelta(seconds=part.ran_s) / timedelta(hours=1)
        own.add(f"{part.words}: {hours:.0f} h")
    return own.union(*(said(one) for one in part.parts))


def test_the_minute_of_a_decision_is_shown_at_its_instant(tmp_path: Path) -> None:
    """A person reads `18:01` off the log and asks for it; the rule fired within that minute."""
    rules = RULES.replace("24 h and", "86_423 s and".replace("_", ""))
    story = full_heron(tmp_path, rules=rules)
    due = FULL + 86_423 * SECOND
    story.go(seen_heron(due - 5 * SECOND), Tick(due))
    shape = why(story, "heron", "--at", iso(due)[:16])
    assert shape.at == LOCAL.read(due)
    assert rule_of(shape, "full-too-long").holds == "yes"


def test_a_moment_without_a_decision_is_shown_as_asked(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    shape = why(story, "heron", "--at", "2026-12-01T06:01")
    hold = rule_of(shape, "full-too-long").when.parts[0]
    assert shape.at == LOCAL.read(FULL + 12 * HOUR)
    assert (hold.holds, hold.ran_s) == ("no", 12 * 3600)
    assert shape.decisions == []


@pytest.mark.parametrize(("late_s", "within"), [(-1, False), (0, True), (59, True), (60, False)])
def test_of_a_minute_what_was_decided_within_it_is_shown(
    tmp_path: Path, late_s: int, within: bool
) -> None:
    """The pack is full, and the rule fires, so many seconds after the minute that is asked for."""
    story, late = begin(tmp_path), late_s * SECOND
    story.go(Happened(FULL + late, FULL + late, "heron", "full", "a person"))
    story.go(seen_heron(FIRES + late - 5 * SECOND), Tick(FIRES + late), Tick(FIRES + HOUR))
    shape = why(story, "heron", "--at", iso(FIRES))
    assert (shape.decisions != []) is within
    assert shape.at == LOCAL.read(FIRES + late if within else FIRES)


@pytest.mark.parametrize(("ahead_s", "within"), [(29, False), (1, False), (0, True), (-1, False)])
def test_of_a_moment_with_seconds_what_was_decided_in_that_second_is_shown(
    tmp_path: Path, ahead_s: int, within: bool
) -> None:
    story, late = begin(tmp_path), 30 * SECOND
    story.go(Happened(FULL + late, FULL + late, "heron", "full", "a person"))
    story.go(seen_heron(FIRES + late - 5 * SECOND), Tick(FIRES + late), Tick(FIRES + HOUR))
    shape = why(story, "heron", "--at", iso(FIRES + late - ahead_s * SECOND))
    assert (shape.decisions != []) is within


def test_a_plug_that_goes_off_belongs_to_the_pack_that_it_was_on_for(tmp_path: Path) -> None:
    """Also where the going through begins at a state that was kept while it was on."""
    story = long_story(tmp_path)
    leaving = next(event.heard for event, _, _ in story.told if isinstance(event, Ended))
    decisions = why(story, "heron", "--at", iso(leaving)).decisions
    assert any(line.text.startswith("A-load off: ") for line in decisions)


def test_after_a_change_of_the_rules_it_is_said_that_they_are_others(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    (tmp_path / "shed.care").write_text(RULES.replace("24 h and", "48 h and"), encoding="utf-8")
    shape = why(story, "heron", "--at", iso(FIRES))
    rule = rule_of(shape, "full-too-long")
    assert not shape.exact
    assert (rule.holds, rule.when.parts[0].ran_s) == ("no", 24 * 3600)
    assert rule.fires_at is None
    assert any("rule full-too-long fires" in line.text for line in shape.decisions)
    assert (
        "rules or site have changed since" in story.run("why", "heron", "--at", iso(FIRES)).output
    )


def test_what_is_forgotten_cannot_be_gone_through_exactly(tmp_path: Path) -> None:
    """A service deletes old samples; from then on that past is told by its decisions alone."""
    story = full_heron(tmp_path)
    story.go(seen_heron(FULL + HOUR))
    story.go(seen_heron(FIRES - 5 * SECOND), Tick(FIRES))
    story.snapshot()
    known = why(story, "heron", "--at", iso(FIRES))
    assert known.exact
    assert any("rule full-too-long fires" in line.text for line in known.decisions)
    assert story.journal.forget(story.journal.last_seq) > 0
    shape = why(story, "heron", "--at", iso(FIRES))
    assert not shape.exact
    assert any("rule full-too-long fires" in line.text for line in shape.decisions)
    # What a person said stays, and with it a kept charge.
    assert rule_of(shape, "full-too-long").holds == "yes"


def test_new_names_and_reasons_alone_are_no_change(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    renamed = RULES.replace("rule full-too-long", "rule too-full").replace("loses", "will lose")
    (tmp_path / "shed.care").write_text(renamed, encoding="utf-8")
    assert why(story, "heron", "--at", iso(FIRES)).exact


WRONG = [
    (("herno",), "did you mean `heron`?"),
    (("heron", "full-to-long"), "did you mean `full-too-long`?"),
    (("heron", "--at", "2026-11-29T10:00"), "wanted a time since Mon 30 Nov 18:00"),
    (("heron", "--at", "2026-12-09T10:00"), "which lies ahead"),
    (("heron", "--at", "noon"), "wanted a time such as"),
]


@pytest.mark.parametrize(("words", "mend"), WRONG, ids=str)
def test_what_does_not_fit_is_refused_in_one_line(
    tmp_path: Path, words: tuple[str, ...], mend: str
) -> None:
    story = draining_heron(tmp_path)
    refused = story.run("why", *words)
    assert refused.exit_code == 2
    assert len(refused.output.splitlines()) == 1
    assert mend in refused.output


def test_json_is_what_a_program_reads(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    flat = json.loads(story.run("why", "heron", "--json").stdout)
    assert flat["shape"] == 1
    assert flat["at"] == "2026-12-01T18:01:01Z"


# ---- its own job -----------------------------------------------------------------------------


def test_a_rule_does_not_stand_in_its_own_way(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    story.snapshot()
    rule = rule_of(why(story, "heron"), "full-too-long")
    assert (rule.fired, rule.obstacle) == (True, None)

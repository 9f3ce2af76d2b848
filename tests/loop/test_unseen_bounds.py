"""What nobody sees goes no deeper for being asked in another way: other jobs, starts and words."""

from __future__ import annotations

from dataclasses import replace

import pytest
from kit import (
    BEGIN,
    CHEMISTRIES,
    DAY,
    HOUR,
    MINUTE,
    SECOND,
    Stage,
    sample,
    with_rules,
)
from test_unseen import STORED, charge, hung, is_on, read

from carerules.battery import rest_voltage
from carerules.domain.decision import ChoreOpened, JobBegan, JobEnded, SwitchOn
from carerules.domain.event import (
    A_PERSON,
    Cancelled,
    Happened,
    Placed,
    Sample,
    Started,
    Value,
    Wanted,
)
from carerules.domain.moment import Moment
from carerules.loop import learn, new_world
from carerules.service.memory import dump_world, load_world

LOWER = "rule lower\n    when pack.soc < 75 % and pack.soc > 35 %: drain to 35 %\n"


def say(stage: Stage, **values: float) -> None:
    at = stage.now + SECOND
    stage.until(at)
    told = tuple(Value(f"pack.{name}", value) for name, value in values.items())
    stage.hear(Sample(at, at, "heron", told, A_PERSON))


def drained(rules: str = STORED) -> Stage:
    """A pack that has come down by one stage, and waits to be read."""
    stage = hung(rules)
    stage.until(BEGIN + 4 * HOUR)
    assert not is_on(stage)
    assert charge(stage) == pytest.approx(70.0, abs=0.5)
    return stage


def stays(stage: Stage, hours: float = 6) -> None:
    """Nothing is drained any more."""
    before = len([one for one in stage.all(SwitchOn) if not one.renewal])
    stage.until(stage.now + round(hours * HOUR))
    assert len([one for one in stage.all(SwitchOn) if not one.renewal]) == before
    assert charge(stage) >= 69.0


# ---- in another way ---------------------------------------------------------------------------


def test_another_rule_goes_no_deeper_before_it_is_read() -> None:
    stage = hung("rule first\n    when pack.soc > 80 %: drain to 70 %\n" + LOWER)
    stage.until(BEGIN + 4 * HOUR)
    assert "done" in [one.ending.value for one in stage.all(JobEnded)]
    stays(stage)
    assert stage.all(ChoreOpened)[-1].text == (
        "read heron's voltage and enter it, to drain to 35 %: `carerules record heron voltage`"
    )
    read(stage, 71.0)
    stage.until(stage.now + 4 * HOUR)
    assert charge(stage) == pytest.approx(41.0, abs=1.5)


def test_nor_does_the_next_line_of_a_job() -> None:
    rule = "rule r\n    when pack.soc > 85 %:\n        drain to 75 %\n        rest 30 min\n"
    stage = hung(rule + "        drain to 45 %\n")
    stage.until(BEGIN + 10 * HOUR)
    assert charge(stage) == pytest.approx(70.0, abs=0.5)
    assert len(stage.all(ChoreOpened)) == 1


def test_nor_one_that_is_called_off_and_wanted_by_hand() -> None:
    stage = drained()
    stage.hear(Cancelled(stage.now, stage.jobs[0].id))
    assert not stage.jobs
    stage.hear(Wanted(stage.now, "heron", "storage", 50.0))
    stays(stage)
    assert len(stage.all(JobBegan)) == 2


def test_nor_one_that_is_hung_again_or_begun_anew_on_edited_rules() -> None:
    stage = drained()
    stage.hear(Placed(stage.now, "heron", None))
    stage.until(stage.now + HOUR)
    stage.hear(Placed(stage.now, "heron", "bench"))
    stays(stage)
    stage.world = replace(stage.world, setup=with_rules(stage.world, LOWER))
    again = load_world(dump_world(stage.world), stage.world.setup)
    assert again is not None
    stage.world = replace(again, muted=frozenset())
    stage.hear(Started(stage.now))
    stage.until(stage.now + MINUTE)
    stage.hear(Wanted(stage.now, "heron", "storage", 40.0))
    stays(stage)


def test_nor_do_plain_switches_one_after_the_other() -> None:
    lamp = "".join(
        f"rule l{number}\n    when pack.soc < {99 - 5 * number} %: switch load on for 1 h\n"
        for number in range(10)
    )
    stage = hung("rule a\n    when pack.soc > 99 %: switch load on for 1 h\n" + lamp)
    stage.until(BEGIN + 2 * DAY)
    assert 69.0 <= charge(stage) < 75
    assert "at most 30 where the voltage is not seen" in stage.all(JobEnded)[-1].why


@pytest.mark.parametrize(
    "words",
    [{"voltage": 0.0}, {"voltage": 99.0}, {"voltage": 3.9}, {"temperature": 20.0}, {"soc": 95.0}],
    ids=str,
)
def test_what_is_no_reading_of_its_voltage_lets_nothing_go_on(words: dict[str, float]) -> None:
    stage = drained()
    say(stage, **words)
    stage.until(stage.now + 6 * HOUR)
    drawn_wh = sum(job.energy_wh for job in stage.jobs)
    assert not is_on(stage)
    assert len([one for one in stage.all(SwitchOn) if not one.renewal]) <= 2
    assert drawn_wh < 0.33 * 16 * 6 * 4.2


def test_a_word_in_the_midst_of_a_run_takes_it_no_deeper() -> None:
    """Somebody says at 85 % that 98 % are in it: it stops when 30 points have left all the same."""
    stage = hung(STORED)
    stage.until(BEGIN + HOUR)
    begun = charge(stage)
    say(stage, soc=98.0)
    assert charge(stage) == pytest.approx(98.0, abs=0.5)
    stage.until(BEGIN + 8 * HOUR)
    assert not is_on(stage)
    assert not stage.all(JobEnded), "it waits, and is not failed"
    assert charge(stage) - 98 + begun == pytest.approx(70.0, abs=0.7)


@pytest.mark.parametrize("word", ["charge", "full"])
def test_one_that_was_charged_full_begins_anew(word: str) -> None:
    stage = drained()
    stage.hear(Cancelled(stage.now, stage.jobs[0].id))
    stage.hear(Happened(stage.now, stage.now, "heron", word, A_PERSON))
    stage.hear(Wanted(stage.now, "heron", "storage", 75.0))
    stage.until(stage.now + 4 * HOUR)
    assert charge(stage) == pytest.approx(75.0, abs=0.5)


def test_a_start_that_has_only_the_facts_knows_how_much_has_left_unseen() -> None:
    stage = drained()
    drawn = stage.world.packs["heron"].estimate.track.drawn
    assert drawn == pytest.approx(30.0, abs=0.2)
    world = new_world(stage.world.setup, BEGIN)
    for event, outcomes in stage.log:
        world = learn(world, event, outcomes)
    assert world.packs["heron"].estimate.track.drawn == pytest.approx(drawn, abs=0.01)


def test_a_reading_of_before_the_drain_is_none_of_after_it() -> None:
    stage = hung(STORED)
    stage.until(BEGIN + HOUR)
    assert is_on(stage)
    stage.hear(Cancelled(stage.now, stage.jobs[0].id))
    stage.until(stage.now + 5 * SECOND)
    before = stage.world.packs["heron"].estimate.track.drawn
    assert before > 5
    volts = (Value("pack.voltage", 25.1),)
    stage.hear(Sample(stage.now, stage.now - 20 * SECOND, "heron", volts, A_PERSON))
    assert stage.world.packs["heron"].estimate.track.drawn == pytest.approx(before, abs=0.1)


def test_a_pack_that_tells_its_lowest_cell_alone_is_seen() -> None:
    stage = hung(STORED, charged=False)
    level = 100.0
    stage.feed_each = 10 * SECOND

    def feed(at: Moment) -> Sample:
        nonlocal level
        level -= 0.045 * is_on(stage)
        values = {"soc": level, "cell.min": rest_voltage(CHEMISTRIES["lipo"], level / 100)}
        return sample(at, "heron", temperature=21, **values)

    stage.feeds["heron"] = feed
    stage.until(BEGIN + 9 * HOUR)
    assert [one.ending.value for one in stage.all(JobEnded)] == ["done"]
    assert not stage.all(ChoreOpened)
    assert len([one for one in stage.all(SwitchOn) if not one.renewal]) == 1

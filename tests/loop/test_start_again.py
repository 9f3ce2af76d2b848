"""A start upon a start: what was sought off goes on being sought since it first was."""

from __future__ import annotations

from kit import BEGIN, MINUTE, SECOND, make_site, sample, stage_of

from carerules.domain.decision import Fired, Notice
from carerules.domain.event import ClockSet, Started


def alarms(listens_until: int, again: Started | ClockSet | None = None) -> list[str]:
    """When people were told that the load is not proved off; nothing answers at all."""
    stage = stage_of("rule keep\n    when pack.soc >= 60 %: drain to 50 %",
                     make_site(stations=("bench",)), obey=False)  # fmt: skip
    stage.until(BEGIN + listens_until)
    stage.hear(again or Started(BEGIN + listens_until))
    stage.until(stage.now + 5 * MINUTE)
    return [at for at, one in stage.timed(Notice) if one.key == "off bench-load"]


def test_the_alarm_comes_thirty_seconds_after_the_first_off() -> None:
    assert alarms(20 * SECOND) == ["30s"]


def start_over(*, obey: bool) -> list[str]:
    """When the first rule runs after a start; `obey` false: one plug answers and the other not."""
    stage = stage_of('rule full\n    when pack.soc >= 60 %: notify "full"',
                     make_site(stations=("bench",)))  # fmt: skip
    if not obey:
        stage._answers = [one for one in stage._answers if one[1] == "bench-load"]
        stage.obey = False
    stage.feeds["heron"] = lambda at: sample(at, soc=90.0)
    stage.hear(sample(BEGIN + 1, soc=90.0))
    stage.until(BEGIN + 2 * MINUTE)
    return [at for at, _ in stage.timed(Fired)]


def test_rules_run_as_soon_as_everything_is_read_back_off() -> None:
    assert start_over(obey=True) == ["200ms"]


def test_a_plug_that_does_not_answer_holds_rules_up_for_ten_seconds_and_no_longer() -> None:
    assert start_over(obey=False) == ["10s"]


def test_after_a_longer_silence_a_start_has_its_own_thirty_seconds() -> None:
    assert alarms(2 * MINUTE) == ["30s", "2m30s"]


def test_a_clock_that_is_set_while_an_off_is_overdue_does_not_put_its_alarm_off() -> None:
    """Found by campaign 1: it dozed for 3 s over the thirtieth second, and its clock was set."""
    dozed = ClockSet(BEGIN + 32 * SECOND, -MINUTE, 3 * SECOND)
    assert alarms(29 * SECOND, dozed) == ["32s"]


def test_after_a_sleep_it_is_sought_anew_before_anybody_is_told() -> None:
    slept = ClockSet(BEGIN + 10 * MINUTE, 0, 10 * MINUTE - 29 * SECOND)
    assert alarms(29 * SECOND, slept) == ["10m30s"]

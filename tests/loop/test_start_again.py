"""A start upon a start: what was sought off goes on being sought since it first was."""

from __future__ import annotations

from kit import BEGIN, MINUTE, SECOND, make_site, stage_of

from carerules.domain.decision import Notice
from carerules.domain.event import Started


def alarms(second_start: int) -> list[str]:
    """When people were told that the load is not proved off; nothing answers at all."""
    stage = stage_of("rule keep\n    when pack.soc >= 60 %: drain to 50 %",
                     make_site(stations=("bench",)), obey=False)  # fmt: skip
    stage.until(BEGIN + second_start)
    stage.hear(Started(BEGIN + second_start))
    stage.until(BEGIN + 5 * MINUTE)
    return [at for at, one in stage.timed(Notice) if one.key == "off bench-load"]


def test_the_alarm_comes_thirty_seconds_after_the_first_off() -> None:
    assert alarms(20 * SECOND) == ["30s"]


def test_after_a_longer_silence_a_start_has_its_own_thirty_seconds() -> None:
    assert alarms(2 * MINUTE) == ["30s", "2m30s"]

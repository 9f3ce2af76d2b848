"""A pack that nobody looked at for years: what is told of its charge is a charge."""

from __future__ import annotations

from kit import BEGIN, DAY, stage_of

from carerules.domain.decision import ChoreOpened
from carerules.domain.event import Happened
from carerules.domain.quantity import Known

RULES = """
rule low
    when pack.soc < 30 % for 1 h: chore "{pack} is at {pack.soc}"
"""


def test_what_runs_down_by_itself_ends_at_nothing() -> None:
    stage = stage_of(RULES)
    stage.hear(Happened(BEGIN + 1, BEGIN + 1, "heron", "full", "a person"))
    stage.hear(
        Happened(BEGIN + 9_000 * DAY, BEGIN + 9_000 * DAY, "heron", "inspection", "a person")
    )
    stage.until(stage.now + DAY)
    soc = stage.world.packs["heron"].soc
    assert isinstance(soc, Known)
    # 25 years at some percent a month are more than there was (common practice, no source).
    assert soc.value_at(stage.now) < 0
    assert soc.shown_at(stage.now) == 0
    told = [
        one.text for _, outcomes in stage.log for one in outcomes if isinstance(one, ChoreOpened)
    ]
    assert told == ["heron is at 0 %"]

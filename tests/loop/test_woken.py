"""Nothing sleeps that nobody will wake: where no room, no pack and no idle plug says anything."""

from __future__ import annotations

import pytest
from kit import BEGIN, HOUR, MINUTE, make_site, stage_of

from carerules.domain.decision import JobEnded, OffProven
from carerules.domain.event import A_PERSON, Attended, Happened, Placed
from carerules.engine import Phase


@pytest.mark.parametrize(
    ("rule", "then"),
    [
        ("drain to 45 %", "read heron's voltage and enter it"),
        ("drain to 75 %", None),
        ("switch load on for 20 min", None),
    ],
)
def test_a_job_goes_on_once_its_plug_is_read_back_off_though_nothing_else_is_heard(
    rule: str, then: str | None
) -> None:
    stage = stage_of(f"when pack.soc > 80 %: {rule}", make_site(stations=("bench",), blind=True))
    stage.hear(Placed(BEGIN + 1, "heron", "bench"))
    stage.hear(Attended(BEGIN + 2, BEGIN + 12 * HOUR))
    stage.hear(Happened(BEGIN + 3, BEGIN + 3, "heron", "charge", A_PERSON))
    stage.until(BEGIN + MINUTE)
    assert stage.world.plugs["bench-load"].on_at is not None
    stage.until(BEGIN + 8 * HOUR)
    assert stage.all(OffProven)
    if then is None:
        (end,) = stage.all(JobEnded)
        assert end.ending.value == "done"
    else:
        (job,) = stage.world.packs["heron"].jobs
        assert job.phase is Phase.WAITING
        (chore,) = stage.world.chores.values()
        assert chore.text.startswith(then)
        proofs = [e.heard for e, made in stage.log if any(isinstance(o, OffProven) for o in made)]
        assert chore.since - proofs[-1] < 21 * MINUTE


def test_a_job_that_waits_for_another_goes_on_when_that_is_over_though_nothing_else_is_heard() -> (
    None
):
    rules = (
        "rule full\n    when pack.soc > 80 %: drain to 75 %\n"
        "rule warm\n    when pack.soc > 85 %: hold 20 min\n"
    )
    stage = stage_of(rules, make_site(stations=("bench",), blind=True))
    stage.hear(Placed(BEGIN + 1, "heron", "bench"))
    stage.hear(Attended(BEGIN + 2, BEGIN + 12 * HOUR))
    stage.hear(Happened(BEGIN + 3, BEGIN + 3, "heron", "charge", A_PERSON))
    stage.until(BEGIN + 19 * MINUTE)
    assert stage.world.plugs["bench-load"].on_at is None, "it is held"
    stage.until(BEGIN + 21 * MINUTE)
    assert stage.world.plugs["bench-load"].on_at is not None

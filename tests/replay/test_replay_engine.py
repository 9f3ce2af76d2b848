"""The algebra fires where the engine does, to the millisecond, on random rules and random pasts.

`CARERULES_REPLAYS=20000` tries so many; a few in CI."""

from __future__ import annotations

import os

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from replay_kit import BEGIN, PACKS, SIGNALS, Row, cases, engine_fires, mixed, tape_of

from carerules.domain.moment import HOUR, Moment
from carerules.domain.plan import Plan
from carerules.replay import fire_online, replay

EXAMPLES = int(os.environ.get("CARERULES_REPLAYS", "60"))


@settings(
    max_examples=EXAMPLES, deadline=None, database=None, derandomize=EXAMPLES == 60,
    suppress_health_check=list(HealthCheck), phases=(Phase.generate,),
)  # fmt: skip
@given(case=cases(), ticks=st.lists(st.integers(0, 5 * HOUR), max_size=4))
def test_it_fires_where_the_engine_does(
    case: tuple[Plan, dict[str, list[Row]], Moment], ticks: list[int]
) -> None:
    plan, rows, ends = case
    wanted = engine_fires(plan, rows, ends, [BEGIN + tick for tick in ticks])
    tape = tape_of(rows, ends)
    found = replay(plan, PACKS, tape, SIGNALS)
    assert sorted(found.firings) == wanted
    online = [(pack, name, at) for name, pack, at in fire_online(plan, PACKS, tape, SIGNALS)]
    assert sorted(online) == wanted


@settings(
    max_examples=max(20, EXAMPLES // 4), deadline=None, database=None, derandomize=EXAMPLES == 60,
    suppress_health_check=list(HealthCheck), phases=(Phase.generate,),
)  # fmt: skip
@given(case=mixed())
def test_what_it_does_not_cover_goes_through_the_engine(
    case: tuple[Plan, dict[str, list[Row]], Moment],
) -> None:
    plan, rows, ends = case
    found = replay(plan, PACKS, tape_of(rows, ends), SIGNALS)
    assert set(found.online) == {"out"}
    assert sorted(found.firings) == engine_fires(plan, rows, ends)

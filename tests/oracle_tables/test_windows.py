"""`max`, `min`, `mean` and `slope` of a signal over a time, against the definitions and scipy.

Sources: the definitions, written out over the raw samples; docs/oracles/slopes.json, made with
scipy.stats.theilslopes (README.md there), whose first case is the example of P. K. Sen, Estimates
of the regression coefficient based on Kendall's tau, Journal of the American Statistical
Association 63 (1968) 1379-1389: its slope is 4 (data and slope as scipy's tests cite them).
An answer may be off by one stretch, 1/256 of the window.
"""

from __future__ import annotations

import json
from itertools import combinations, pairwise
from pathlib import Path
from statistics import median
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carerules.domain.condition import WindowKind
from carerules.domain.moment import DAY, HOUR, NEVER, Moment
from carerules.engine.trail import (
    FRESH_TRAIL,
    SLOPE_POINTS,
    SLOPE_POINTS_MIN,
    STRETCHES,
    Trail,
    answer,
    follow,
)

TABLE = json.loads(
    (Path(__file__).parents[2] / "docs" / "oracles" / "slopes.json").read_text(encoding="utf-8")
)["cases"]
WIDTH = 10
TIME = WIDTH * STRETCHES + 7  # not a whole number of stretches

Changes = list[tuple[Moment, float | None]]


def seen_at(
    changes: Changes, now: Moment, kind: WindowKind, looks: set[Moment] | None = None
) -> Any:
    """The answer at `now`, having looked at each change, whenever it was due, and at `looks`."""
    trail: Trail = FRESH_TRAIL
    moment, due = changes[0][0], NEVER
    while True:
        value = [value for at, value in changes if at <= moment][-1]
        trail = follow(trail, value, 0.0, moment, TIME, kind)
        found, due = answer(trail, kind, moment, TIME)
        assert due > moment
        if moment == now:
            return found
        later = [at for at, _ in changes] + [due, now, *(looks or ())]
        moment = min(at for at in later if at > moment)


@st.composite
def changes(draw: Any) -> Changes:
    at, found = draw(st.integers(0, 30)), []
    for _ in range(draw(st.integers(1, 25))):
        value = draw(st.one_of(st.none(), st.integers(-20, 20).map(float)))
        found.append((at, value))
        at += draw(st.sampled_from([1, 3, 10, 14, 30, 200, 700, 3_000]))
    return found


def pieces(changes: Changes, start: Moment, now: Moment) -> list[tuple[Moment, Moment, float]]:
    """From when to when the signal had which value, cut to [start, now]."""
    ends = [at for at, _ in changes[1:]] + [NEVER]
    return [
        (max(at, start), min(end, now), value)
        for (at, value), end in zip(changes, ends, strict=True)
        if value is not None and max(at, start) <= min(end, now) and at <= now and end > start
    ]


@settings(max_examples=300, deadline=None)
@given(changes(), st.integers(0, 4_000), st.sampled_from(["max", "min"]))
def test_extremes(changes: Changes, later: int, kind: Any) -> None:
    """Never less extreme than the window, never more than the window and one stretch."""
    now = changes[-1][0] + later
    found = seen_at(changes, now, kind)
    inner = [value for _, _, value in pieces(changes, now - TIME, now)]
    outer = [value for _, _, value in pieces(changes, now - TIME - WIDTH, now)]
    if found is None:
        assert not inner
    elif inner:
        sign = 1 if kind == "max" else -1
        low, high = (max(sign * value for value in some) for some in (inner, outer))
        assert low <= sign * found <= high
    else:
        assert found in outer


def mean_over(changes: Changes, start: Moment, now: Moment) -> tuple[float | None, int]:
    some = [(end - at, value) for at, end, value in pieces(changes, start, now)]
    known = sum(span for span, _ in some)
    return (sum(span * value for span, value in some) / known if known else None), known


@settings(max_examples=300, deadline=None)
@given(changes(), st.integers(0, 4_000))
def test_mean(changes: Changes, later: int) -> None:
    """As of the last cut or change; what is left of the oldest stretch counts with its mean."""
    now = changes[-1][0] + later
    found = seen_at(changes, now, "mean")
    as_of = max(now // WIDTH * WIDTH, *(at for at, _ in changes), 0)
    exact, known = mean_over(changes, as_of - TIME, as_of)
    if exact is None:
        assert found == changes[-1][1]
        return
    assert found is not None
    values = [value for _, _, value in pieces(changes, as_of - TIME - WIDTH, as_of)]
    off = WIDTH * (max(values) - min(values)) / known
    assert found == pytest.approx(exact, abs=off + 1e-9)


def test_the_oldest_stretch_counts_by_what_is_left_of_it() -> None:
    """10 V from 0 to 10, then nothing; changed at 5 after a cut, so that half of it is left."""
    now = TIME + 5
    changes: Changes = [(0, 10.0), (10, 0.0), (now, 5.0)]
    assert seen_at(changes, now, "mean") == pytest.approx(10.0 * 5 / TIME)


def naive_slope(points: list[tuple[float, float]]) -> float:
    """All pairs, straight from the definition."""
    slopes = [(d - b) / (c - a) for (a, b), (c, d) in combinations(points, 2) if c != a]
    return median(slopes)


def stretches_of(changes: Changes, now: Moment) -> list[tuple[float, float]]:
    """The middle and the mean of each complete stretch in the window, from the raw samples."""
    cut = now // WIDTH * WIDTH
    found = []
    for start in range((cut - TIME) // WIDTH * WIDTH, cut, WIDTH):
        some = [one for one in pieces(changes, start, start + WIDTH) if one[1] > one[0]]
        if some and some[-1][1] > cut - TIME:
            mean = mean_over(changes, start, start + WIDTH)[0]
            assert mean is not None
            found.append(((some[0][0] + some[-1][1]) / 2, mean))
    return found


@settings(max_examples=200, deadline=None)
@given(changes(), st.integers(0, 4_000))
def test_slope(changes: Changes, later: int) -> None:
    """The median slope of all pairs of the stretches, thinned to at most 64 of them."""
    now = changes[-1][0] + later
    found = seen_at(changes, now, "slope")
    points = stretches_of(changes, now)
    thinned = points[::-1][:: max(1, -(-len(points) // SLOPE_POINTS))]
    if len(thinned) < SLOPE_POINTS_MIN:
        assert found is None
    else:
        assert found == pytest.approx(naive_slope(sorted(thinned)) * DAY, rel=1e-9, abs=1e-3)


@settings(max_examples=150, deadline=None)
@given(
    changes(), st.integers(0, 4_000), st.sampled_from(["max", "min", "mean", "slope"]),
    st.sets(st.integers(0, 20_000), max_size=30),
)  # fmt: skip
def test_looks_change_nothing(changes: Changes, later: int, kind: Any, looks: set[int]) -> None:
    now = changes[-1][0] + later
    begun = {changes[0][0] + look for look in looks}
    assert seen_at(changes, now, kind) == seen_at(changes, now, kind, begun)


@pytest.mark.parametrize("case", TABLE, ids=lambda case: f"{len(case['x'])} points")
def test_slope_agrees_with_scipy(case: dict[str, Any]) -> None:
    """Each point is one stretch's mean; the slope is a day's change, theirs a stretch's."""
    changes: Changes = []
    for x, y in zip(case["x"], case["y"], strict=True):
        changes += [(x * WIDTH, y), ((x + 1) * WIDTH, None)]
    changes = [
        one for one, following in pairwise([*changes, (NEVER, None)]) if one[0] != following[0]
    ]
    found = seen_at(changes, (case["x"][-1] + 1) * WIDTH, "slope")
    assert found == pytest.approx(case["slope"] * DAY / WIDTH, rel=1e-9, abs=1e-6)


def test_the_table_begins_with_sens_example() -> None:
    assert TABLE[0] == {
        "x": [1, 2, 3, 4, 10, 12, 18], "y": [9, 15, 19, 20, 45, 55, 78], "slope": 4.0,
    }  # fmt: skip
    assert len(TABLE) == 61


def test_wild_readings_do_not_bend_it() -> None:
    """Up to 29.3 % of them (breakdown point 1 - 1/sqrt 2: Rousseeuw and Leroy, Robust Regression
    and Outlier Detection, 1987; from memory). Of 48 points on a line 14 are wild: it stays."""
    changes: Changes = []
    for place in range(48):
        wild = place % 7 in (3, 5) and place > 2
        changes.append((place * WIDTH, 1_000.0 if wild else 2.0 * place))
    assert sum(value == 1_000 for _, value in changes) == 14
    found = seen_at(changes, 48 * WIDTH, "slope")
    assert found == pytest.approx(2.0 * DAY / WIDTH, rel=1e-9)


def test_a_value_that_goes_stale_leaves_the_window() -> None:
    """Heard once, fresh for ten minutes: it leaves an hour's window an hour and ten minutes later,
    though nobody looks in between, and nothing is due after that."""
    from traces_kit import HEAT, facts_with

    from carerules.domain.condition import Compare, OverWindow
    from carerules.domain.quantity import Known, Truth
    from carerules.domain.signal import catalogue
    from carerules.engine.expression import make_ready

    heat = HEAT["b"]
    hottest = Compare(OverWindow("max", heat.left, HOUR), ">", heat.right)  # type: ignore[arg-type]
    ready = make_ready(hottest, catalogue())
    facts = facts_with({"site.temperature": Known(45.0, 0.0, 0, "test")})
    memory, now, answers = list(ready.fresh), 0, []
    while now < NEVER:
        truth, now = ready.run(facts, now, memory)
        answers.append((truth, now))
    last_fresh = 10 * HOUR // 60 + 1
    ends = [until for truth, until in answers if truth is Truth.YES]
    assert last_fresh in ends
    assert last_fresh + HOUR <= ends[-1] <= last_fresh + HOUR + HOUR // STRETCHES
    assert answers[-1] == (Truth.UNKNOWN, NEVER)

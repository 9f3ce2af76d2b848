"""A doubt that grows by itself is found out at the very millisecond at which it reaches a limit.

Held against asking at each millisecond: rates here are millions of times those of a shelf, so that
all comes about within some hundred of them.
"""

from __future__ import annotations

from datetime import UTC
from math import ceil, hypot, sqrt

from hypothesis import example, given
from hypothesis import strategies as st

from carerules.domain.condition import Between, Compare, Condition, Op, SignalValue
from carerules.domain.moment import MONTH, LocalTime, Moment
from carerules.domain.quantity import CHARGE_LEVEL, Known, Quantity, Reading, Truth, Widening
from carerules.domain.signal import catalogue
from carerules.engine import Facts
from carerules.engine.expression import make_ready

SOC, HEALTH = (SignalValue(f"pack.{name}", CHARGE_LEVEL) for name in ("soc", "health"))
SIGNALS = catalogue()
BEGIN: Moment = 1_000_000
MOST = 30.0
SPAN = 400


def truths(condition: Condition, reading: Known, *, pessimistic: bool = True) -> list[Truth]:
    """The truth at each millisecond."""
    return [_ask(condition, reading, BEGIN + step, pessimistic)[0] for step in range(SPAN)]


def found(condition: Condition, reading: Known) -> list[Truth]:
    """The truth at each millisecond, asked only when it may have changed."""
    told: list[Truth] = []
    due = BEGIN
    for now in range(BEGIN, BEGIN + SPAN):
        if now >= due:
            truth, due = _ask(condition, reading, now, pessimistic=True)
            assert due > now
        told.append(truth)
    return told


def _ask(
    condition: Condition, reading: Known, now: Moment, pessimistic: bool
) -> tuple[Truth, Moment]:
    readings: dict[str, Reading] = {"pack.soc": reading, "pack.health": Known(60, 0.5, 0, "kit")}
    facts = Facts(readings, {}, {}, {}, (), LocalTime(UTC))
    return make_ready(condition, SIGNALS, pessimistic=pessimistic).run(facts, now, [])


ops: st.SearchStrategy[Op] = st.sampled_from(["<", "<=", ">", ">=", "=", "!="])
levels = st.sampled_from([20.0, 48.0, 50.0, 53.5, 80.0]).map(lambda it: Quantity(it, CHARGE_LEVEL))
conditions = st.one_of(
    st.builds(lambda op, level: Compare(SOC, op, level), ops, levels),
    st.builds(lambda op, level: Compare(level, op, SOC), ops, levels),
    st.builds(lambda op: Compare(SOC, op, HEALTH), ops),
    st.builds(lambda op: Compare(HEALTH, op, SOC), ops),
    st.builds(lambda op: Compare(SOC, op, SOC), ops),
    st.just(Between(SOC, Quantity(40.0, CHARGE_LEVEL), Quantity(70.0, CHARGE_LEVEL))),
)
readings = st.builds(
    lambda value, beside, slope, rate, lain, old: Known(
        value,
        min(MOST, hypot(beside, rate * lain)),
        BEGIN - old,
        "kit",
        slope,
        Widening(rate, BEGIN - old - lain, MOST),
    ),
    value=st.floats(30, 90),
    beside=st.one_of(st.just(0.0), st.floats(0, 29)),
    slope=st.sampled_from([0.0, -0.02, -0.1, -0.4, 0.3]),
    rate=st.sampled_from([1e-9, 0.01, 0.05, 0.1, 0.15, 0.2]),
    lain=st.integers(0, 100),
    old=st.integers(0, 50),
)


@given(conditions, readings)
@example(  # it falls away from the limit, and the doubt catches up with it later
    Compare(SOC, ">", Quantity(50.0, CHARGE_LEVEL)),
    Known(49.0, 0.1, BEGIN, "kit", -0.02, Widening(0.02, BEGIN, MOST)),
)
@example(  # it falls as fast as twice the doubt grows: one edge stands still
    Compare(SOC, ">", Quantity(50.0, CHARGE_LEVEL)),
    Known(70.0, 2.0, BEGIN, "kit", -0.1, Widening(0.05, BEGIN, MOST)),
)
@example(  # nothing of doubt to begin with
    Compare(SOC, "<", Quantity(50.0, CHARGE_LEVEL)),
    Known(50.0, 0.0, BEGIN, "kit", 0.0, Widening(0.05, BEGIN, MOST)),
)
def test_asked_when_due_says_what_asking_always_says(condition: Condition, reading: Known) -> None:
    assert found(condition, reading) == truths(condition, reading)


@given(conditions, readings)
def test_a_growing_doubt_falls_to_the_safe_side(condition: Condition, reading: Known) -> None:
    """Whatever is doubtful or forbidden where nothing grew is so where it does: an interlock that
    permits is one that is certainly false."""
    still = Known(reading.value, reading.spread, reading.at, "kit", reading.slope)
    for grown, kept in zip(truths(condition, reading), truths(condition, still), strict=True):
        assert grown is kept or grown is Truth.UNKNOWN


@given(conditions, readings)
def test_a_plain_rule_asks_for_the_likely_value(condition: Condition, reading: Known) -> None:
    still = Known(reading.value, 0.0, reading.at, "kit", reading.slope)
    plain = truths(condition, reading, pessimistic=False)
    assert plain == truths(condition, still, pessimistic=False)


def test_a_shelf_of_two_points_a_month_is_looked_at_when_it_matters_and_no_sooner() -> None:
    reading = Known(36.0, 2.0, BEGIN, "kit", -2 / MONTH, Widening(2 / MONTH, BEGIN, MOST))
    never = Compare(SOC, "<", Quantity(30.0, CHARGE_LEVEL))
    looks, truth, now = 0, Truth.NO, BEGIN
    while truth is Truth.NO:
        (truth, due), at = _ask(never, reading, now, pessimistic=True), now
        looks, now = looks + 1, due
    assert truth is Truth.UNKNOWN
    # 6 - 2 x = 2 sqrt(4 + 4 x²), in months: 12 x² + 24 x - 20 = 0, so x = sqrt(8/3) - 1.
    assert at == BEGIN + ceil((sqrt(8 / 3) - 1) * MONTH)
    assert looks <= 100

"""A band asks what the comparisons ask that it stands for, to the last digit."""

from __future__ import annotations

from math import inf, nextafter

from hypothesis import given
from hypothesis import strategies as st

from carerules.domain.condition import And, Between, Compare, Condition, Op, SignalValue, compare
from carerules.domain.quantity import COUNT, Quantity
from carerules.engine.comparison import band_of

SOC = SignalValue("pack.soc", COUNT)
LEVELS = st.sampled_from([-1e300, -0.0, 0.0, 5e-324, 30.0, 79.9, 80.0, 1e300])


def holds(condition: Condition, value: float) -> bool:
    """The condition by its own words, without a band."""
    match condition:
        case Compare(_, op, Quantity(level)):
            return compare(value, op, level)
        case Between(_, low, high):
            return low.value <= value <= high.value
        case And(parts):
            return all(holds(part, value) for part in parts)
    raise AssertionError(condition)


def compared(op: Op, level: float) -> Condition:
    return Compare(SOC, op, Quantity(level, COUNT))


ops: st.SearchStrategy[Op] = st.sampled_from(["<", "<=", ">", ">=", "="])
plain = st.one_of(
    st.builds(compared, ops, LEVELS),
    st.builds(
        lambda low, high: Between(SOC, Quantity(low, COUNT), Quantity(high, COUNT)),
        LEVELS, LEVELS,
    ),
)  # fmt: skip
wholes = plain | st.lists(plain, min_size=2, max_size=4).map(lambda parts: And(tuple(parts)))
near = st.builds(nextafter, LEVELS, st.sampled_from([-inf, inf]))


@given(wholes, LEVELS | near | st.floats(allow_nan=False, allow_infinity=False))
def test_within_the_band_is_where_the_condition_holds(whole: Condition, value: float) -> None:
    band = band_of(whole)
    assert band is not None
    assert (band.low <= value <= band.high) is holds(whole, value)


def test_what_asks_for_more_than_one_signals_place_is_no_band() -> None:
    above = compared(">", 30.0)
    other = Compare(SignalValue("pack.temperature", COUNT), ">", Quantity(5.0, COUNT))
    station = Compare(SignalValue("station.power", COUNT), ">", Quantity(5.0, COUNT))
    for none in (compared("!=", 30.0), And((above, other)), And((above, compared("!=", 40.0))),
                 station, Compare(SOC, ">", SOC)):  # fmt: skip
        assert band_of(none) is None

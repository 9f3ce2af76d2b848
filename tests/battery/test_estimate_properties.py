"""What holds for every history, whatever is sent."""

import math
from typing import TypeAlias

from benchpack import CHEMISTRIES, HERON, HOUR, LIPO, MINUTE, START, known
from hypothesis import given, settings
from hypothesis import strategies as st

from carerules.battery import (
    Chemistry,
    Estimate,
    fresh,
    take_energy,
    take_event,
    take_sample,
    take_time,
)
from carerules.domain.event import Sample, Value
from carerules.domain.moment import DAY, Moment
from carerules.domain.quantity import Known
from carerules.domain.signal import catalogue

CATALOGUE = catalogue()
RAW = ("voltage", "current", "power", "temperature", "soc", "capacity", "resistance")
BAD = st.sampled_from([math.nan, math.inf, -math.inf, -1.0, 0.0, 1e12])
LIKELY = {
    "voltage": st.floats(12.0, 16.9),
    "current": st.one_of(st.just(0.0), st.floats(-40, 40)),
    "power": st.floats(-600, 600),
    "temperature": st.floats(-20, 60),
    "soc": st.floats(0, 100),
    "capacity": st.floats(8, 20),
    "resistance": st.floats(1, 20),
}


@st.composite
def values(draw: st.DrawFn, bad: bool = True) -> tuple[Value, ...]:
    names = draw(st.lists(st.sampled_from(RAW), unique=True, max_size=5))
    found = []
    for name in names:
        number = draw(st.one_of(LIKELY[name], BAD) if bad else LIKELY[name])
        spread = draw(st.sampled_from([0.0, 0.5, 3.0] + ([math.nan, -1.0] if bad else [])))
        found.append(Value(f"pack.{name}", number, spread))
    return tuple(found)


CELLS = st.one_of(
    st.just(()),
    st.tuples(*[st.floats(3.0, 4.22)] * 4),
    st.lists(st.one_of(st.floats(0, 5), st.just(math.nan)), min_size=1, max_size=6).map(tuple),
)

Deed: TypeAlias = tuple[str, object, int]
DEEDS = st.lists(
    st.tuples(
        st.one_of(
            st.tuples(st.just("sample"), st.tuples(values(), CELLS)),
            st.tuples(st.just("energy"), st.one_of(st.floats(-500, 500), BAD)),
            st.tuples(st.just("event"), st.sampled_from(["charge", "full", "use", "drain", "x"])),
            st.tuples(st.just("time"), st.none()),
        ),
        st.one_of(
            st.integers(-10 * MINUTE, 20 * MINUTE),
            st.sampled_from([0, MINUTE, HOUR, 3 * DAY, 400 * DAY]),
        ),
    ),
    min_size=1,
    max_size=25,
)


def _do(estimate: Estimate, chemistry: Chemistry, deed: object, at: Moment) -> Estimate:
    match deed:
        case ("sample", (listed, cells)):
            sample = Sample(at, at, "heron", listed, "feed", cells)
            return take_sample(estimate, HERON, chemistry, sample)
        case ("energy", power_w):
            return take_energy(estimate, HERON, chemistry, at, power_w)
        case ("event", what):
            return take_event(estimate, HERON, chemistry, what, at)
    return take_time(estimate, HERON, chemistry, at)


@settings(max_examples=250, deadline=None)
@given(DEEDS, st.sampled_from(sorted(CHEMISTRIES)))
def test_every_reading_stays_sane(deeds: list, name: str) -> None:
    estimate, at = fresh(HERON), START
    for deed, wait in deeds:
        at += wait
        estimate = _do(estimate, CHEMISTRIES[name], deed, at)
        for signal, reading in estimate.readings.items():
            assert signal in CATALOGUE
            if not isinstance(reading, Known):
                continue
            assert math.isfinite(reading.value), (signal, reading)
            assert 0 <= reading.spread < math.inf, (signal, reading)
            assert reading.at <= max(estimate.track.at, 0), (signal, reading)
        soc = estimate.readings.get("pack.soc")
        if isinstance(soc, Known):
            assert 0 <= soc.value <= 100
            assert 0 < soc.spread <= 30


@st.composite
def history(draw: st.DrawFn) -> tuple[Estimate, Moment]:
    estimate, at = fresh(HERON), START
    for listed, wait in draw(
        st.lists(st.tuples(values(bad=False), st.integers(0, HOUR)), max_size=6)
    ):
        at += wait
        estimate = take_sample(estimate, HERON, LIPO, Sample(at, at, "heron", listed, "feed"))
    return estimate, at


@settings(max_examples=150, deadline=None)
@given(history(), st.lists(values(), max_size=2), st.randoms(), st.integers(0, HOUR))
def test_the_order_of_values_in_a_sample_does_not_matter(
    before: tuple[Estimate, Moment], lists: list, chance: object, wait: int
) -> None:
    estimate, at = before
    listed = [value for part in lists for value in part]
    mixed = list(listed)
    chance.shuffle(mixed)  # type: ignore[attr-defined]
    one, two = (
        take_sample(
            estimate, HERON, LIPO, Sample(at + wait, at + wait, "heron", tuple(way), "feed")
        )
        for way in (listed, mixed)
    )
    assert one.readings == two.readings
    assert one.track == two.track
    assert set(one.doubts) == set(two.doubts)


@settings(max_examples=150, deadline=None)
@given(st.floats(20, 100), st.floats(-10, 10), st.integers(1, 5 * MINUTE), st.floats(0.01, 0.99))
def test_cutting_a_count_in_two_does_not_matter(
    start: float, amps: float, span: int, share: float
) -> None:
    first = Sample(START, START, "heron", (Value("pack.soc", start, 1.0),), "a")
    flow = Sample(START, START, "heron", (Value("pack.current", amps),), "a")
    estimate = take_sample(take_sample(fresh(HERON), HERON, LIPO, first), HERON, LIPO, flow)
    whole = take_time(estimate, HERON, LIPO, START + span)
    halves = take_time(estimate, HERON, LIPO, START + round(share * span))
    halves = take_time(halves, HERON, LIPO, START + span)
    assert abs(whole.track.charge - halves.track.charge) < 1e-6  # type: ignore[operator]
    assert abs(whole.track.spread(LIPO) - halves.track.spread(LIPO)) < 1e-6


@settings(max_examples=100, deadline=None)
@given(st.floats(60, 95), st.floats(-200, -5), st.integers(1, 6), st.integers(2, 40))
def test_cutting_metered_power_does_not_matter(
    start: float, power_w: float, minutes: int, parts: int
) -> None:
    first = Sample(START, START, "heron", (Value("pack.soc", start, 1.0),), "a")
    estimate = take_sample(fresh(HERON), HERON, LIPO, first)
    estimate = take_energy(estimate, HERON, LIPO, START, power_w)
    whole, many = estimate, estimate
    for part in range(1, parts + 1):
        at = START + minutes * MINUTE * part // parts
        many = take_energy(many, HERON, LIPO, at, power_w)
    whole = take_time(whole, HERON, LIPO, START + minutes * MINUTE)
    gap = abs(whole.track.charge - many.track.charge)  # type: ignore[operator]
    moved = abs(many.track.net)
    assert gap <= 0.02 * moved + 1e-6  # against ten percent of doubt


@settings(max_examples=150, deadline=None)
@given(
    st.floats(0, 100),
    st.one_of(st.just(0.0), st.floats(-0.3, 0.3)),
    st.floats(14.0, 16.8),
    st.booleans(),
)
def test_splitting_a_rested_sample_does_not_matter_materially(
    soc: float, amps: float, pack_v: float, voltage_first: bool
) -> None:
    at = START + HOUR
    estimate = take_sample(
        fresh(HERON), HERON, LIPO,
        Sample(
            START, START, "heron", (Value("pack.soc", soc, 3.0), Value("pack.current", 0.0)), "a"
        ),
    )  # fmt: skip
    parts = (Value("pack.voltage", pack_v), Value("pack.current", amps))
    whole = take_sample(estimate, HERON, LIPO, Sample(at, at, "heron", parts, "a"))
    split = estimate
    for part in parts if voltage_first else reversed(parts):
        split = take_sample(split, HERON, LIPO, Sample(at, at, "heron", (part,), "a"))
    one, two = known(whole), known(split)
    assert abs(one.value - two.value) <= 0.5
    assert abs(one.spread - two.spread) <= 1.5

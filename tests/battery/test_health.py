"""Health: the parts against scipy and by hand, the whole against packs that are played."""

import math
from random import Random

import pytest
from benchpack import CHEMISTRIES, LIPO, START
from hypothesis import given
from hypothesis import strategies as st
from oracle_rows import table

from carerules.battery import (
    CellsAtRest,
    History,
    Measured,
    capacity_between,
    judged,
    metered,
    no_history,
    priced,
    remembered,
    rest_voltage,
    slope_band,
    trend,
    two_step,
)
from carerules.battery.trend import _slopes, _slopes_in_bulk
from carerules.domain.event import Happened, Sample, Value
from carerules.domain.moment import DAY, HOUR, MINUTE, MONTH, SECOND, Moment
from carerules.domain.pack import Pack

YEAR = 365 * DAY
NMC = CHEMISTRIES["nmc"]


@pytest.mark.parametrize("row", table("slope_bands.csv"), ids=lambda row: row[0])
def test_the_band_is_scipys(row: list[str]) -> None:
    slope, low, high, *points = map(float, row)
    found = slope_band(points[::2], points[1::2])
    assert found == pytest.approx((slope, low, high), rel=1e-9)


def test_many_points_in_bulk_are_the_same_to_the_last_bit() -> None:
    chance = Random(3)
    xs = sorted(chance.sample(range(10**11, 10**12), 256))
    ys = [16 - x / 1e12 + chance.gauss(0, 0.3) for x in xs]
    assert _slopes_in_bulk(xs, ys) == _slopes(xs, ys)


def fading(percent_a_year: float, count: int, every: int, noise: float) -> list[Measured]:
    chance = Random(7)
    return [
        Measured(
            START + n * every,
            16 * (1 - percent_a_year / 100 * n * every / YEAR) + chance.gauss(0, noise),
            noise,
        )
        for n in range(count)
    ]


def test_a_fall_and_when_it_is_tired() -> None:
    """8 points a year from 100 %, seen for a year: 80 % after two and a half years."""
    health = judged(16.0, fading(8.0, 53, 7 * DAY, 0.1), [], [])
    assert health.percent is not None
    assert health.percent.low * YEAR < -8 < health.percent.high * YEAR
    levels = dict(health.reaches)
    due = START + round(2.5 * YEAR)
    crossing = levels[80.0]
    assert crossing.likely is not None
    assert crossing.latest is not None
    assert crossing.earliest < due < crossing.latest
    assert abs(crossing.likely - due) < 90 * DAY
    likely_half = levels[50.0].likely
    assert likely_half is not None
    assert likely_half > crossing.likely


def test_wild_points_do_not_bend_it() -> None:
    points = fading(8.0, 53, 7 * DAY, 0.1)
    wild = [*points, *(Measured(START + n * 31 * DAY, 3.0, 0.1) for n in range(8))]
    straight, bent = judged(16.0, points, [], []).percent, judged(16.0, wild, [], []).percent
    assert straight is not None
    assert bent is not None
    assert bent.slope == pytest.approx(straight.slope, rel=0.25)


def test_bad_data_is_left_out() -> None:
    points = fading(8.0, 20, 14 * DAY, 0.1)
    bad = [Measured(START + DAY * n, value, 0.1)
           for n, value in enumerate((math.nan, math.inf, -3.0, 16_000.0, 0.0))]  # fmt: skip
    assert judged(16.0, [*points, *bad], [], []) == judged(16.0, points, [], [])


@pytest.mark.parametrize("points", [[], fading(8.0, 5, 30 * DAY, 0.1), fading(8.0, 40, HOUR, 0.1)])
def test_too_little_says_nothing(points: list[Measured]) -> None:
    health = judged(16.0, points, [], [])
    assert health.percent is None
    assert health.reaches == ()


def test_a_pack_that_does_not_fall_has_no_date() -> None:
    assert judged(16.0, fading(0.0, 30, 14 * DAY, 0.0), [], []).reaches == ()


@given(st.lists(st.tuples(st.integers(0, 10**11), st.floats(allow_nan=True)), max_size=40))
def test_a_trend_never_raises(points: list[tuple[int, float]]) -> None:
    found = trend([Measured(at, value, 0.1) for at, value in points])
    assert found is None or found.points >= 6


@pytest.mark.parametrize(
    ("rests", "counted", "wanted"),
    [
        ((90, 2, 40, 2), -8.0, 16.0),
        ((30, 1, 95, 1), 10.4, 16.0),
        ((90, 2, 70, 2), -3.2, None),  # too near each other
        ((90, 2, 40, 2), 8.0, None),  # counted the other way
        ((90, 2, 40, math.nan), -8.0, None),
        ((90, 2, 40, 2), math.inf, None),
    ],
)
def test_capacity_between_two_rests(
    rests: tuple[float, float, float, float], counted: float, wanted: float | None
) -> None:
    found = capacity_between(*rests, counted)
    if wanted is None:
        assert found is None
    else:
        assert found is not None
        assert found[0] == pytest.approx(wanted)
        share = math.hypot(rests[1], rests[3]) / abs(rests[2] - rests[0])
        assert found[1] == pytest.approx(wanted * math.hypot(share, 0.02))


def test_two_step_resistance() -> None:
    """IEC 61960's steps (0.2 C, then 1 C; from memory) on six cells of 5 mΩ and 16 Ah."""
    found = two_step(24.0 - 3.2 * 0.03, -3.2, 24.0 - 16 * 0.03, -16.0, 16.0, 6)
    assert found == pytest.approx(5.0)
    assert two_step(24.0, -3.2, 23.9, -4.0, 16.0, 6) is None  # too small a step
    assert two_step(24.0, -3.2, 24.5, -16.0, 16.0, 6) is None  # the wrong way
    assert two_step(24.0, -3.2, math.nan, -16.0, 16.0, 6) is None


def at_rest(day: int, rest: int, *charges: float) -> CellsAtRest:
    return CellsAtRest(
        START + day * DAY, charges, 0.5,
        tuple(rest_voltage(LIPO, one / 100) for one in charges), START + rest * DAY,
    )  # fmt: skip


def test_a_cell_that_leaks_is_weak() -> None:
    """Four points a month more than the others, seen over two long rests."""
    rests = [
        at_rest(0, 0, 60, 60, 60, 60), at_rest(30, 0, 58, 58, 54, 58),
        at_rest(40, 40, 80, 80, 79, 80), at_rest(70, 40, 78, 78, 73, 78),
    ]  # fmt: skip
    health = judged(16.0, [], [], rests)
    assert [one.weak for one in health.cells] == [False, False, True, False]
    assert health.cells[2].leak == pytest.approx(4.0)
    assert health.imbalance == pytest.approx(5.0)


def test_a_cell_that_lies_low_is_weak_and_one_bad_reading_is_not() -> None:
    low = [at_rest(n, n, 70, 62, 70, 70) for n in range(5)]
    once = [at_rest(n, n, 70, 70 if n else 50, 70, 70) for n in range(5)]
    assert judged(16.0, [], [], low).cells[1].weak
    assert not any(one.weak for one in judged(16.0, [], [], once).cells)


# --- packs that are played ------------------------------------------------------------------------


class Played:
    """A pack of our own making: a rest curve, a resistance, cells of which one leaks."""

    def __init__(self, capacity_ah: float, mohm: float, leak: float, offset_a: float = 0.0) -> None:
        self.offset_a = offset_a
        self.pack = Pack("heron", "nmc", 4, 5.0, NMC.limits)
        self.capacity_ah, self.ohm, self.leak = capacity_ah, mohm / 1_000, leak
        self.cells = [90.0] * 4
        self.at: Moment = START
        self.past: History = no_history(self.pack, NMC)

    def go(self, time: int, amps: float, every: int) -> None:
        for _ in range(time // every):
            self.at += every
            lost = 100 * amps * every / HOUR / self.capacity_ah
            self.cells = [one + lost for one in self.cells]
            self.cells[1] -= self.leak * every / MONTH
            volts = [rest_voltage(NMC, one / 100) + amps * self.ohm for one in self.cells]
            self.past = remembered(self.past, Sample(
                self.at, self.at, "heron", (Value("pack.current", amps + self.offset_a),), "gauge",
                tuple(volts), 0.002,
            ))  # fmt: skip


def test_a_played_pack_is_found_out() -> None:
    """4.4 Ah where the label says 5, 40 mΩ a cell, one cell that loses 6 points a month."""
    played = Played(4.4, 40.0, 6.0)
    played.go(2 * HOUR, 0.0, MINUTE)
    for _ in range(3):
        played.go(10 * SECOND, -0.88, SECOND)
        played.go(HOUR // 2, -4.4, 10 * SECOND)
        played.go(20 * DAY, 0.0, HOUR // 10)
        played.go(HOUR // 2, 4.4, 10 * SECOND)
        played.go(2 * HOUR, 0.0, MINUTE)
    health = played.past.health
    assert health.capacity is not None
    assert health.capacity.value == pytest.approx(4.4, rel=0.05)
    assert abs(health.capacity.value - 4.4) < 2 * health.capacity.spread
    assert health.resistance is not None
    assert health.resistance.value == pytest.approx(40.0, rel=0.05)
    assert [one.weak for one in health.cells] == [False, True, False, False]
    leak = health.cells[1].leak
    assert leak is not None
    assert leak == pytest.approx(6.0, abs=1.0)


def test_a_meter_that_is_off_does_not_spoil_the_capacity() -> None:
    """20 mA too much, on a pack of 5 Ah: 0.5 Ah a day, which the rests show to be none."""
    played = Played(4.4, 40.0, 0.0, offset_a=0.02)
    played.go(2 * HOUR, 0.0, MINUTE)
    for _ in range(4):
        for amps in (-4.4, 4.4):
            played.go(HOUR // 2, amps, 10 * SECOND)
            played.go(10 * SECOND, 0.0, 10 * SECOND)  # a current holds until the next sample
            played.go(DAY, 0.0, 5 * MINUTE)
    capacity = played.past.health.capacity
    assert capacity is not None
    assert capacity.value == pytest.approx(4.4, rel=0.05)


def metered_pack(
    capacity_ah: float, *, own_current: bool = False, silent: bool = False, used: bool = False
) -> History:
    """Charged full, drained by a metered load of 30 W to some 40 %, read by hand a day later."""
    pack = Pack("egret", "nmc", 4, 5.0, NMC.limits)
    at, charge = START, 100.0
    past = remembered(no_history(pack, NMC), Happened(at, at, "egret", "full", "a person"))
    at += HOUR
    while charge > 40:
        past = metered(past, at, -30.0) if not silent or charge > 70 else past
        if own_current:
            sample = Sample(at, at, "egret", (Value("pack.current", -2.0),), "gauge")
            past = remembered(past, sample)
        volts = 4 * rest_voltage(NMC, charge / 100)
        charge -= 100 * 30.0 / volts / 60 / capacity_ah
        at += MINUTE
    past = metered(past, at, 0.0)
    past = remembered(past, Happened(at, at, "egret", "inspection", "a person"))
    if used:
        past = remembered(past, Happened(at, at, "egret", "use", "a person"))
    at += DAY
    volts = 4 * rest_voltage(NMC, charge / 100)
    read = Sample(at, at, "egret", (Value("pack.voltage", volts, 0.02),), "a person")
    return remembered(past, read)


@pytest.mark.parametrize("capacity_ah", [3.5, 4.2, 5.0])
def test_energy_metered_at_a_plug_tells_the_capacity_with_more_doubt(capacity_ah: float) -> None:
    past = metered_pack(capacity_ah)
    assert past.by_energy
    capacity = past.health.capacity
    assert capacity is not None
    assert abs(capacity.value - capacity_ah) <= 2 * capacity.spread
    assert capacity.value == pytest.approx(capacity_ah, rel=0.08)
    # a tenth for the plug alone, and both rests on 60 points
    assert 0.10 * capacity.value < capacity.spread < 0.25 * capacity.value


@pytest.mark.parametrize("why", ["own_current", "silent", "used"])
def test_energy_tells_nothing_where_more_flowed_than_it_metered(why: str) -> None:
    past = metered_pack(4.2, **{why: True})
    assert not past.by_energy
    if why != "own_current":
        assert past.capacities == ()


def test_a_capacity_that_no_such_pack_has_is_not_counted() -> None:
    points = [Measured(START, 16.0, 0.5), Measured(START + DAY, 0.4, 0.1)]
    health = judged(16.0, points, [], [])
    assert (health.measured, health.capacity) == (1, points[0])


def test_what_comes_late_changes_nothing() -> None:
    played = Played(5.0, 40.0, 0.0)
    played.go(2 * HOUR, 0.0, MINUTE)
    late = Happened(played.at, played.at - HOUR, "heron", "full", "a person")
    assert remembered(played.past, late) == played.past


def test_the_ledger_covers_all_time() -> None:
    played = Played(5.0, 40.0, 0.0)
    played.go(5 * HOUR, 0.0, MINUTE)
    ledger = priced(played.past, played.past.seen).ledger
    assert ledger.seen_time + ledger.unseen == played.past.seen - START - MINUTE
    assert ledger.high_time > 4 * HOUR  # it lies at 90 %

"""The virtual site: what is heard when, and what really flows."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from itertools import pairwise

import pytest
from sim_river import (
    BEGIN,
    SETTINGS,
    amps,
    busy_night,
    keep_on,
    off,
    on,
    reports,
    samples,
    volts,
    world,
)

from carerules.domain.decision import AskPlug, SwitchOn
from carerules.domain.event import (
    Placed,
    PlugLink,
    Sample,
    SiteSample,
    UsePlanned,
)
from carerules.domain.moment import DAY, HOUR, MINUTE, SECOND
from carerules.domain.pack import Use
from carerules.domain.signal import catalogue

# ---- what is heard -------------------------------------------------------------------------------


def test_the_first_words_are_ways_places_and_uses() -> None:
    use = Use("dawn", BEGIN + DAY, frozenset({"avocet"}))
    heard = world(1, replace(SETTINGS, uses=(use,))).advance(BEGIN)
    assert Counter(type(event) for event in heard) == {PlugLink: 4, Placed: 2, UsePlanned: 1}
    assert {event.heard for event in heard} == {BEGIN}
    assert all(event.up for event in heard if isinstance(event, PlugLink))


def test_everything_comes_in_order_with_its_source_and_inside_the_catalogue() -> None:
    heard, known = busy_night(world()), catalogue()
    assert all(one.heard <= other.heard for one, other in pairwise(heard))
    for event in heard:
        if isinstance(event, (Sample, SiteSample)):
            assert event.source.startswith("virtual ")
            assert event.at <= event.heard
            for value in event.values:
                row = known[value.signal]
                assert row.raw
                assert row.low <= value.value <= row.high


def test_a_pack_tells_each_minute_at_rest_and_each_ten_seconds_under_load() -> None:
    virtual = world()
    idle = samples(virtual.advance(BEGIN + HOUR), "avocet")
    assert {b.at - a.at for a, b in pairwise(idle)} == {60 * SECOND}
    assert all(amps(sample) == 0 for sample in idle)
    busy = samples(keep_on(virtual, "load-1", virtual.now + 10 * MINUTE), "avocet")[2:]
    assert {b.at - a.at for a, b in pairwise(busy)} == {10 * SECOND}
    # 60 W at some 24.8 V
    assert all(amps(sample) == pytest.approx(-60 / volts(sample), abs=0.06) for sample in busy)
    assert all(len(sample.cells) == 6 for sample in busy)
    assert all(sum(s.cells) == pytest.approx(volts(s), abs=0.06) for s in busy)


def test_a_pack_tells_within_ten_seconds_of_a_relay_s_move() -> None:
    virtual = world()
    for command in (on("load-1", 600), off("load-1")):
        virtual.advance(virtual.now + 3 * MINUTE)
        while not samples(virtual.advance_once(virtual.now + MINUTE), "avocet"):
            pass
        virtual.advance(virtual.now + 5 * SECOND)  # the next is 55 s away, or 5 under load
        virtual.send(command)
        heard = virtual.advance(virtual.now + 11 * SECOND)
        switched = isinstance(command, SwitchOn)
        moved = next(r.heard for r in reports(heard, "load-1") if r.on is switched)
        first = next(s for s in samples(heard, "avocet") if s.at > moved)
        assert first.at - moved <= 10 * SECOND
        assert (amps(first) < -1) is isinstance(command, SwitchOn)


def test_a_pack_without_a_feed_says_nothing() -> None:
    assert not samples(busy_night(world()), "bittern")


def test_plugs_tell_each_minute_off_and_each_ten_seconds_on() -> None:
    virtual = world()
    idle = reports(virtual.advance(BEGIN + HOUR), "load-1")
    assert {b.heard - a.heard for a, b in pairwise(idle)} == {5 * MINUTE}
    assert {(r.on, r.power_w, r.timer_s) for r in idle} == {(False, 0.0, None)}
    virtual.send(on("load-1", 600))
    busy = reports(virtual.advance(virtual.now + 10 * MINUTE - SECOND), "load-1")
    assert {b.heard - a.heard for a, b in pairwise(busy)} == {10 * SECOND}
    assert all(r.on and r.power_w == pytest.approx(60, abs=1) for r in busy)
    assert busy[-1].timer_s == pytest.approx(600 - (busy[-1].heard - busy[0].heard) / SECOND)


def test_the_room_swings_over_the_day_and_is_told_each_five_minutes() -> None:
    heard = [e for e in world().advance(BEGIN + DAY) if isinstance(e, SiteSample)]
    assert {b.at - a.at for a, b in pairwise(heard)} == {5 * MINUTE}
    celsius = [event.values[0].value for event in heard]
    assert min(celsius) == pytest.approx(17, abs=0.5)
    assert max(celsius) == pytest.approx(23, abs=0.5)
    coldest = heard[celsius.index(min(celsius))].at - BEGIN
    assert coldest == pytest.approx(4 * HOUR, abs=2 * HOUR)


# ---- what flows ----------------------------------------------------------------------------------


def test_the_lease_opens_the_contact_at_its_millisecond() -> None:
    virtual = world()
    virtual.advance(BEGIN + HOUR)
    virtual.send(on("load-1"))
    closed = next(r for r in reports(virtual.advance(virtual.now + SECOND), "load-1") if r.on)
    before = virtual.advance(closed.heard + 90 * SECOND - 1)
    assert virtual.bench.plugs["load-1"].closed
    assert all(r.on for r in reports(before, "load-1"))
    (opened,) = reports(virtual.advance(closed.heard + 90 * SECOND), "load-1")
    assert (opened.heard, opened.on, opened.power_w) == (closed.heard + 90 * SECOND, False, 0.0)
    truth = virtual.bench.packs["avocet"]
    assert truth.out_wh == pytest.approx(60 * 90 / 3_600, rel=1e-6)
    assert truth.current_a == 0


def test_off_ends_it_at_once_and_the_pack_shows_it() -> None:
    virtual = world()
    keep_on(virtual, "load-1", BEGIN + HOUR)
    virtual.send(off("load-1"))
    heard = virtual.advance(virtual.now + 15 * SECOND)
    assert reports(heard, "load-1")[-1].on is False
    assert amps(samples(heard, "avocet")[-1]) == 0


def test_commands_to_one_plug_arrive_in_order_within_their_latency() -> None:
    virtual = world()
    virtual.advance(BEGIN + HOUR)
    took = set()
    for _ in range(50):
        virtual.send(AskPlug("load-2"))
        sent = virtual.now
        answers = [r.heard - sent for r in reports(virtual.advance(sent + SECOND), "load-2")]
        took |= {answer for answer in answers if answer <= 300}
        virtual.send(on("load-2"))
        virtual.send(off("load-2"))
        virtual.advance(virtual.now + SECOND)
        assert not virtual.bench.plugs["load-2"].closed
    assert all(50 <= latency <= 300 for latency in took)
    assert len(took) > 30


def test_a_metered_drain_takes_what_the_meter_says() -> None:
    virtual = world()
    heard = keep_on(virtual, "load-1", BEGIN + 2 * HOUR)
    metered_wh = 0.0
    for one, other in pairwise(reports(heard, "load-1")):
        metered_wh += (one.power_w or 0) * (other.heard - one.heard) / 3_600_000
    assert metered_wh == pytest.approx(virtual.bench.packs["avocet"].out_wh, rel=0.002)


def test_the_load_s_own_cut_off_lets_go_and_stays_so() -> None:
    virtual = world(1, replace(SETTINGS, load_cutoff_v=3.9))
    heard = keep_on(virtual, "load-1", BEGIN + 6 * HOUR)
    truth = virtual.bench.packs["avocet"]
    # 3.9 V a cell at 60 W is 2.6 A, which sags the cells by 2.6 * 0.004 V or so
    assert truth.soc == pytest.approx(76, abs=1.5)
    assert virtual.bench.plugs["load-1"].closed
    assert reports(heard, "load-1")[-1].power_w == pytest.approx(0.4, abs=0.1)
    let_go = [r.power_w for r in reports(heard, "load-1") if r.power_w and r.power_w < 1]
    assert len(let_go) > 100
    assert amps(samples(heard, "avocet")[-1]) == 0
    virtual.send(off("load-1"))
    virtual.advance(virtual.now + MINUTE)
    virtual.send(on("load-1"))
    again = virtual.advance(virtual.now + SECOND)
    assert reports(again, "load-1")[-1].power_w == pytest.approx(60, abs=1)


def test_whoever_brings_the_pack_to_its_cut_off_sees_it_free() -> None:
    bench, at = world(1, replace(SETTINGS, load_cutoff_v=4.1)).bench, BEGIN
    bench.place("avocet", "bench-1")
    bench.plugs["load-1"].switch_on(at, None)
    while not bench.bring("avocet", at, 20.0):
        assert bench.packs["avocet"].current_a < -2
        at += 10 * SECOND
    assert bench.packs["avocet"].current_a == 0


def test_nothing_flows_from_the_moment_of_the_cut_off_and_a_snapshot_keeps_it() -> None:
    settings = replace(SETTINGS, load_cutoff_v=4.1)
    virtual, let_go_at = world(1, settings), None
    while let_go_at is None:
        virtual.send(on("load-1", 3_600))
        for _ in range(360):
            heard = reports(virtual.advance_once(virtual.now + 10 * SECOND), "load-1")
            if heard and heard[0].on and heard[0].power_w < 1:
                let_go_at = heard[0].heard
                break
    assert virtual.bench.packs["avocet"].current_a == 0
    drained_wh = virtual.bench.packs["avocet"].out_wh
    other = world(1, settings)
    other.restore(json.loads(json.dumps(virtual.snapshot())))
    for going_on in (virtual, other):
        going_on.advance(let_go_at + 10 * MINUTE)
        assert going_on.bench.plugs["load-1"].closed
        assert going_on.bench.packs["avocet"].out_wh == drained_wh


def test_a_charger_holds_the_current_then_the_voltage_and_stops_by_itself() -> None:
    virtual = world()
    virtual.advance(BEGIN + MINUTE)
    virtual.tell(Placed(BEGIN, "bittern", None))
    virtual.tell(Placed(BEGIN, "avocet", "bench-2"))
    virtual.bench.packs["avocet"].charges = [0.3] * 6
    heard = keep_on(virtual, "charger-2", BEGIN + 5 * HOUR)
    told = samples(heard, "avocet")
    currents = [amps(sample) for sample in told]
    most_a = 200 * 0.88 / 25.2
    # From here on by hand: 200 W at the wall are 176 W, 6.98 A at 25.2 V.
    assert max(currents) == pytest.approx(most_a, rel=0.02)
    # and the plug's meter sees them, and what the charger needs for itself, all along
    most_w = max(report.power_w or 0 for report in reports(heard, "charger-2"))
    assert most_w == pytest.approx(200 + 2.5, rel=0.015)
    steady = sum(current > 0.98 * most_a for current in currents) / len(currents)
    assert 0.2 < steady < 0.4
    assert max(volt for sample in told for volt in sample.cells) < 4.2 + 0.01
    assert currents[-1] == 0
    truth = virtual.bench.packs["avocet"]
    assert truth.soc > 98.5
    assert reports(heard, "charger-2")[-1].power_w == pytest.approx(2.5, abs=0.1)
    last = [current for current in currents if current > 0][-1]
    assert last == pytest.approx(0.7, abs=0.15)  # a tenth of 6.98 A, below C/20


def test_a_resistor_draws_less_as_the_pack_empties() -> None:
    virtual = world(1, replace(SETTINGS, load="resistor"))
    power = [r.power_w for r in reports(keep_on(virtual, "load-1", BEGIN + 4 * HOUR), "load-1")[2:]]
    # 60 W at 21.6 V are 7.78 Ω; at 25.0 V they draw 80 W.
    assert power[0] == pytest.approx(80, abs=2)
    assert power[-1] < 70


def test_a_pack_taken_off_in_the_middle_draws_nothing_more() -> None:
    virtual = world()
    keep_on(virtual, "load-1", BEGIN + HOUR)
    virtual.tell(Placed(virtual.now, "avocet", None))
    before = virtual.bench.packs["avocet"].out_wh
    heard = keep_on(virtual, "load-1", BEGIN + 2 * HOUR)
    assert virtual.bench.packs["avocet"].out_wh == before
    assert reports(heard, "load-1")[-1].power_w == pytest.approx(0.4, abs=0.1)


def test_another_pack_on_a_station_takes_the_place_of_the_one_there() -> None:
    virtual = world()
    virtual.advance(BEGIN + HOUR)
    virtual.tell(Placed(virtual.now, "bittern", "bench-1"))
    assert virtual.bench.at_station == {"bittern": "bench-1"}

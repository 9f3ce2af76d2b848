"""The virtual site: what is heard when, what really flows, and that a seed says it all."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from hashlib import sha256
from itertools import pairwise
from random import Random

import pytest
from sim_river import KINDS, site

from carerules.domain.decision import AskPlug, SwitchOff, SwitchOn
from carerules.domain.event import (
    Attended,
    Event,
    Happened,
    Placed,
    PlugLink,
    PlugReport,
    Sample,
    SiteSample,
    UseDropped,
    UsePlanned,
)
from carerules.domain.moment import DAY, HOUR, MINUTE, SECOND, Moment
from carerules.domain.pack import Use
from carerules.domain.signal import catalogue
from carerules.sim import Fault, VirtualPack, VirtualSettings, VirtualSite

BEGIN = 1_764_892_800_000  # a Friday midnight, UTC
SETTINGS = VirtualSettings(
    start=BEGIN,
    packs={
        "avocet": VirtualPack(soc=98, station="bench-1"),
        "bittern": VirtualPack(soc=30, station="bench-2", feed=False),
    },
)


def world(seed: int = 1, settings: VirtualSettings = SETTINGS) -> VirtualSite:
    return VirtualSite(site(2), KINDS, settings, seed)


def on(plug: str, lease_s: int | None = 90) -> SwitchOn:
    return SwitchOn(plug, lease_s, "job", 0, False)


def off(plug: str) -> SwitchOff:
    return SwitchOff(plug, "test")


def keep_on(virtual: VirtualSite, plug: str, until: Moment) -> list[Event]:
    """Renew each 20 s, as the service does."""
    events: list[Event] = []
    while virtual.now < until:
        virtual.send(on(plug))
        events += virtual.advance(min(until, virtual.now + 20 * SECOND))
    return events


def reports(events: list[Event], plug: str) -> list[PlugReport]:
    return [event for event in events if isinstance(event, PlugReport) and event.plug == plug]


def samples(events: list[Event], pack: str) -> list[Sample]:
    return [event for event in events if isinstance(event, Sample) and event.pack == pack]


def volts(sample: Sample) -> float:
    return next(value.value for value in sample.values if value.signal == "pack.voltage")


def amps(sample: Sample) -> float:
    return next(value.value for value in sample.values if value.signal == "pack.current")


def busy_night(virtual: VirtualSite, cuts: Random | None = None) -> list[Event]:
    """Commands at fixed moments; the time between is cut as `cuts` will have it."""
    events: list[Event] = []
    for minutes, command in [
        (10, on("load-1")), (11, on("load-1")), (14, AskPlug("load-2")), (20, on("charger-2", 600)),
        (29, off("charger-2")), (45, on("load-1", 900)), (50, off("load-2")),
    ]:  # fmt: skip
        until = BEGIN + minutes * MINUTE
        while cuts is not None and virtual.now < until - 1:
            events += virtual.advance(min(until, virtual.now + cuts.randrange(1, 3 * MINUTE)))
        events += virtual.advance(until)
        virtual.send(command)
    return events + virtual.advance(BEGIN + 2 * HOUR)


def digest(events: list[Event]) -> str:
    return sha256(repr(events).encode()).hexdigest()


# ---- determinism ---------------------------------------------------------------------------------


def test_one_seed_one_night_to_the_byte() -> None:
    night = busy_night(world(5))
    assert len(night) > 300
    assert digest(night) == digest(busy_night(world(5)))
    assert digest(night) != digest(busy_night(world(6)))


@pytest.mark.parametrize("cut", range(3))
def test_how_the_time_is_cut_changes_nothing(cut: int) -> None:
    assert digest(busy_night(world(), Random(cut))) == digest(busy_night(world()))


@pytest.mark.parametrize("at_s", [0, 1, 633, 640, 661, 1_300, 2_701, 2_750, 5_000])
def test_a_restored_world_goes_on_to_the_byte(at_s: int) -> None:
    settings = replace(SETTINGS, crew=True, uses=(Use("dawn", BEGIN + HOUR, {"bittern"}),))
    virtual = world(3, settings)
    busy_until = BEGIN + at_s * SECOND
    for minutes, command in [(10, on("load-1")), (20, on("charger-2", 600)), (45, on("load-1"))]:
        if minutes * 60 < at_s:
            virtual.advance(BEGIN + minutes * MINUTE)
            virtual.send(command)
    virtual.advance(busy_until)
    kept = json.dumps(virtual.snapshot())
    other = world(3, settings)
    other.restore(json.loads(kept))
    assert json.dumps(other.snapshot()) == kept
    for going_on in (virtual, other):
        going_on.send(on("load-2"))
    rest = virtual.advance(BEGIN + DAY)
    assert len(rest) > 1_000
    assert digest(rest) == digest(other.advance(BEGIN + DAY))


def test_another_seed_s_snapshot_is_refused() -> None:
    with pytest.raises(ValueError, match="form 1 of seed 1, wanted form 1 of seed 2"):
        world(2).restore(world(1).snapshot())


def test_a_torn_snapshot_is_refused_in_words() -> None:
    kept = world().snapshot()
    for name in ("now", "agenda", "bench", "crew", "wires", "draw"):
        torn = {key: value for key, value in kept.items() if key != name}
        with pytest.raises(ValueError, match=f"`{name}` in the snapshot; begin afresh"):
            world().restore(torn)


def test_a_site_that_changed_since_goes_on_with_what_it_has() -> None:
    virtual = world()
    virtual.advance(BEGIN + HOUR)
    kept = virtual.snapshot()
    larger = VirtualSite(site(3), KINDS, SETTINGS, 1)
    larger.restore(kept)
    heard = larger.advance(BEGIN + 2 * HOUR)
    assert samples(heard, "curlew")
    assert samples(heard, "avocet")
    smaller = VirtualSite(site(1), KINDS, SETTINGS, 1)
    smaller.restore(kept)
    assert {e.pack for e in smaller.advance(BEGIN + 2 * HOUR) if isinstance(e, Sample)} == {
        "avocet"
    }


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
    assert {b.heard - a.heard for a, b in pairwise(idle)} == {60 * SECOND}
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


# ---- faults --------------------------------------------------------------------------------------


def test_a_welded_plug_goes_on_and_its_meter_tells() -> None:
    virtual = world()
    virtual.advance(BEGIN + HOUR)
    virtual.wires.fail("load-1", Fault.WELDED)
    virtual.send(on("load-1"))
    virtual.advance(virtual.now + MINUTE)
    virtual.send(off("load-1"))
    heard = reports(virtual.advance(virtual.now + 10 * MINUTE), "load-1")
    assert all(r.on is False and r.power_w and r.power_w > 59 for r in heard[1:])
    assert virtual.bench.packs["avocet"].out_wh == pytest.approx(11, abs=0.1)


def test_a_silent_plug_is_missed_by_the_broker_and_opens_by_its_timer() -> None:
    virtual = world()
    virtual.advance(BEGIN + HOUR)
    virtual.send(on("load-1"))
    virtual.advance(virtual.now + 10 * SECOND)
    virtual.wires.fail("load-1", Fault.MUTE)
    failed = virtual.now
    virtual.send(off("load-1"))
    heard = virtual.advance(failed + 5 * MINUTE)
    assert not reports(heard, "load-1")
    assert [(e.up, e.heard - failed) for e in heard if isinstance(e, PlugLink)] == [(False, 12_000)]
    assert virtual.bench.packs["avocet"].out_wh == pytest.approx(60 * 90 / 3_600, rel=1e-6)
    virtual.wires.mend("load-1", Fault.MUTE)
    back = virtual.advance(virtual.now)
    assert [e.up for e in back if isinstance(e, PlugLink)] == [True]
    assert reports(back, "load-1")[0].on is False


def test_a_plug_that_loses_its_mains_comes_back_open() -> None:
    virtual = world()
    keep_on(virtual, "load-1", BEGIN + HOUR)
    virtual.wires.reboot("load-1")
    at = virtual.now
    heard = virtual.advance(at + MINUTE)
    assert reports(heard, "load-1")[0].heard == at + 8 * SECOND
    assert not any(r.on for r in reports(heard, "load-1"))
    assert not [e for e in heard if isinstance(e, PlugLink)]  # back before the broker missed it


def test_faults_from_the_settings_hold_from_the_start() -> None:
    virtual = world(1, replace(SETTINGS, faults={"load-2": (Fault.DIES,)}))
    heard = virtual.advance(BEGIN + HOUR)
    ups = {e.plug: e.up for e in heard if isinstance(e, PlugLink)}
    assert ups == {"load-1": True, "load-2": False, "charger-1": True, "charger-2": True}
    assert not reports(heard, "load-2")


# ---- the crew ------------------------------------------------------------------------------------

USE = Use("dawn", BEGIN + 6 * HOUR, frozenset({"avocet", "bittern"}))


def test_the_crew_takes_packs_out_and_brings_them_back_full() -> None:
    virtual = world(1, replace(SETTINGS, crew=True, uses=(USE,)))
    heard = virtual.advance(BEGIN + DAY)
    for pack in ("avocet", "bittern"):
        mine = [e for e in heard if isinstance(e, (Placed, Happened)) and e.pack == pack]
        words = [e.what if isinstance(e, Happened) else e.station for e in mine]
        home = SETTINGS.packs[pack].station
        assert words == [home, None, "use", "charge", "full", home]
        use, charge, full = (e.heard for e in mine[2:5])
        assert use == USE.start
        assert 4 * HOUR <= charge - use <= 8 * HOUR + MINUTE
        present = [e for e in heard if isinstance(e, Attended) and e.heard == charge]
        assert present
        assert present[0].until >= full
        assert virtual.bench.packs[pack].soc > 97
        assert virtual.bench.at_station[pack] == home
        assert {e.source for e in mine if isinstance(e, Happened)} == {"virtual crew"}
    out, back = USE.start, next(e.heard for e in heard if isinstance(e, Attended))
    assert not [s for s in samples(heard, "avocet") if out < s.at < back - 4 * HOUR]


def test_in_the_field_a_pack_is_used_by_forty_to_eighty_points_and_not_below_its_floor() -> None:
    virtual = world(1, replace(SETTINGS, crew=True, uses=(USE,)))
    virtual.advance(USE.start)
    before = {name: truth.soc for name, truth in virtual.bench.packs.items()}
    virtual.advance(USE.start + 4 * HOUR - MINUTE)
    used = {name: before[name] - truth.soc for name, truth in virtual.bench.packs.items()}
    floor_soc = (3.4 - 3.0) / 1.2 * 100
    assert 40 <= used["avocet"] <= 81 or virtual.bench.packs["avocet"].soc < floor_soc + 2
    # It went out at 30 % already below its floor: whoever took it brought it back as it was.
    assert used["bittern"] == pytest.approx(0, abs=1.5)


@pytest.mark.parametrize("how", ["no crew", "dropped", "put off"])
def test_nobody_comes_when_nobody_should(how: str) -> None:
    virtual = world(1, replace(SETTINGS, crew=how != "no crew", uses=(USE,)))
    virtual.advance(BEGIN + HOUR)
    if how == "dropped":
        virtual.tell(UseDropped(virtual.now, "dawn"))
    if how == "put off":
        virtual.tell(UsePlanned(virtual.now, replace(USE, start=BEGIN + 3 * DAY)))
    assert not [e for e in virtual.advance(BEGIN + DAY) if isinstance(e, (Happened, Placed))]


def test_a_use_told_later_is_met() -> None:
    virtual = world(1, replace(SETTINGS, crew=True))
    virtual.advance(BEGIN + HOUR)
    virtual.tell(UsePlanned(virtual.now, USE))
    assert any(isinstance(e, Happened) for e in virtual.advance(BEGIN + DAY))


def test_an_unknown_chemistry_is_named() -> None:
    with pytest.raises(ValueError, match="pack `avocet` is of `straight`, wanted one of `bent`"):
        VirtualSite(site(1), {"bent": KINDS["straight"]})

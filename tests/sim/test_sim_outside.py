"""The seam: time moves in `wait` alone, at any pace, and entries are heard at once."""

from __future__ import annotations

import threading

import pytest
from sim_river import KINDS, site

from carerules.domain.decision import AskPlug
from carerules.domain.event import Event, Happened, Placed, PlugReport, Tick
from carerules.domain.moment import HOUR, MINUTE, SECOND
from carerules.sim import VirtualOutside, VirtualPack, VirtualSettings, VirtualSite

BEGIN = 1_000_000


def virtual() -> VirtualSite:
    settings = VirtualSettings(start=BEGIN, packs={"avocet": VirtualPack(station="bench-1")})
    return VirtualSite(site(2), KINDS, settings, 4)


class Clock:
    """A real clock that only pauses move; `at_pause` may do something in the middle of one."""

    def __init__(self) -> None:
        self.ms = 50_000.0
        self.slept_s: list[float] = []
        self.wake_after_s: float | None = None
        self.at_wake = lambda: None

    def read(self) -> int:
        return round(self.ms)

    def pause(self, flag: threading.Event, seconds: float) -> bool:
        if self.wake_after_s is not None and self.wake_after_s < seconds:
            seconds, self.wake_after_s = self.wake_after_s, None
            self.at_wake()
        self.slept_s.append(seconds)
        self.ms += seconds * 1_000
        return flag.is_set()


def through(outside: VirtualOutside, until: int) -> list[Event]:
    heard: list[Event] = []
    while outside.now() < until:
        heard += outside.wait(until)
    return heard


def test_waiting_gives_the_same_as_advancing() -> None:
    until = BEGIN + HOUR
    heard = through(VirtualOutside(virtual()), until)
    told = virtual().advance(until)
    assert [event for event in heard if not isinstance(event, Tick)] == told
    assert heard[-1] == Tick(until)


def test_each_wait_is_one_moment_and_time_stands_still_between() -> None:
    outside = VirtualOutside(virtual())
    for _ in range(200):
        heard = outside.wait(BEGIN + HOUR)
        assert {event.heard for event in heard} == {outside.now()}


def test_a_tick_comes_only_when_nothing_else_does() -> None:
    outside = VirtualOutside(virtual())
    first = outside.wait(BEGIN)
    assert first
    assert not any(isinstance(event, Tick) for event in first)
    assert list(outside.wait(BEGIN)) == [Tick(BEGIN)]
    assert list(outside.wait(BEGIN + 1)) == [Tick(BEGIN + 1)]
    assert list(outside.wait(BEGIN - HOUR)) == [Tick(BEGIN + 1)]  # no way back


def test_a_command_is_answered_within_its_latency() -> None:
    outside = VirtualOutside(virtual())
    through(outside, BEGIN + HOUR)
    outside.perform(AskPlug("load-1"))
    sent = outside.now()
    heard = through(outside, sent + 310)
    (answer,) = [e for e in heard if isinstance(e, PlugReport) and e.plug == "load-1"]
    assert 50 <= answer.heard - sent <= 300


def test_an_entry_is_heard_now_and_done() -> None:
    outside = VirtualOutside(virtual())
    through(outside, BEGIN + HOUR)
    outside.inject(Placed(0, "bittern", "bench-2"))
    outside.inject(Happened(0, 7, "bittern", "swelling", "manual"))
    at = outside.now()
    assert list(outside.wait(at + HOUR)) == [
        Placed(at, "bittern", "bench-2"),
        Happened(at, 7, "bittern", "swelling", "manual"),
    ]
    assert outside.world.bench.at_station["bittern"] == "bench-2"


def test_no_more_entries_than_hands_can_enter() -> None:
    outside = VirtualOutside(virtual())
    for _ in range(1_024):
        outside.inject(Tick(0))
    with pytest.raises(ValueError, match="1024 entries waiting already"):
        outside.inject(Tick(0))


@pytest.mark.parametrize("speed", [1.0, 600.0])
def test_the_pace_is_virtual_time_over_real_time(speed: float) -> None:
    clock = Clock()
    outside = VirtualOutside(virtual(), speed=speed, real_ms=clock.read, pause=clock.pause)
    heard = through(outside, BEGIN + HOUR)
    assert sum(clock.slept_s) == pytest.approx(3_600 / speed, abs=0.02)
    assert [event for event in heard if not isinstance(event, Tick)] == virtual().advance(
        BEGIN + HOUR
    )


def test_a_slow_listener_is_waited_for_and_then_not_chased() -> None:
    clock = Clock()
    outside = VirtualOutside(virtual(), speed=60.0, real_ms=clock.read, pause=clock.pause)
    through(outside, BEGIN + HOUR)
    clock.ms += 20_000  # the listener thinks for 20 s: 20 virtual minutes behind
    clock.slept_s.clear()
    through(outside, BEGIN + 2 * HOUR)
    # At most the last second is caught up.
    assert 59 - 0.1 <= sum(clock.slept_s) <= 60.1


def test_an_entry_wakes_a_sleeper_at_its_own_moment() -> None:
    clock = Clock()
    outside = VirtualOutside(virtual(), speed=1.0, real_ms=clock.read, pause=clock.pause)
    through(outside, BEGIN + HOUR)
    before, clock.wake_after_s = outside.now(), 0.5
    clock.at_wake = lambda: outside.inject(Placed(0, "bittern", "bench-2"))
    heard = list(outside.wait(BEGIN + 2 * HOUR))
    assert heard == [Placed(before + 500, "bittern", "bench-2")]
    rest = through(outside, BEGIN + HOUR + 10 * MINUTE)
    # The world goes on where it was; only the station's plugs and pack tell sooner.
    assert all(event.heard >= before + 500 for event in rest)
    assert sum(clock.slept_s) == pytest.approx(3_600 + 600, abs=0.1)


def test_closing_wakes_a_sleeper_from_another_thread() -> None:
    """With the real `Event.wait` and a clock that stands still, only the wake can end it."""
    outside = VirtualOutside(virtual(), speed=1e-6, real_ms=lambda: 0)
    heard: list[Event] = []
    sleeper = threading.Thread(target=lambda: heard.extend(outside.wait(BEGIN + HOUR)))
    outside.wait(BEGIN)
    sleeper.start()
    outside.close()
    sleeper.join(60)
    assert not sleeper.is_alive()
    assert heard == [Tick(outside.now())]
    assert outside.now() <= BEGIN + SECOND


@pytest.mark.parametrize("speed", [0.0, -1.0])
def test_a_pace_that_is_none_is_refused(speed: float) -> None:
    with pytest.raises(ValueError, match="wanted one above 0"):
        VirtualOutside(virtual(), speed=speed, real_ms=lambda: 0)

"""One order for all that is heard, and limits that hold under a flood."""

from __future__ import annotations

from itertools import pairwise
from threading import Thread

import pytest
from doors_kit import Hands
from hypothesis import given
from hypothesis import strategies as st

from carerules.adapters import Inbox, Lane, LineClock
from carerules.adapters import inbox as inbox_module
from carerules.adapters.inbox import BATCH_MAX, LANE_MAX, Thinner
from carerules.domain.event import ClockSet, Event, PlugLink, PlugReport, Rejected, Stopped, Tick
from carerules.domain.moment import HOUR, MINUTE, SECOND, Moment


def drain(inbox: Inbox) -> list[Event]:
    """Everything that waits, up to the first tick."""
    heard: list[Event] = []
    while not isinstance((taken := inbox.take(0))[0], Tick):
        heard += taken
    return heard


def test_the_order_of_arrival_is_kept_over_all_lanes(hands: Hands) -> None:
    inbox = Inbox(LineClock(sources=hands.sources()))
    for index in range(9):
        lane = list(Lane)[index % len(Lane)]
        inbox.put(lane, lambda heard, i=index: (Stopped(heard, str(i)),))
        hands.run(7)
    heard = drain(inbox)
    assert [event.by for event in heard if isinstance(event, Stopped)] == list("012345678")
    assert [b.heard - a.heard for a, b in pairwise(heard)] == [7] * 8


def test_a_message_is_stamped_when_it_comes_not_when_it_is_taken(hands: Hands) -> None:
    clock = LineClock(sources=hands.sources())
    inbox = Inbox(clock)
    came = clock.now()
    inbox.put(Lane.PLUG, lambda heard: (PlugLink(heard, "A-load", up=True),))
    hands.run(3 * SECOND)
    assert inbox.take(0) == [PlugLink(came, "A-load", up=True)]


def test_a_tick_comes_only_when_it_is_due_and_nothing_waits(hands: Hands) -> None:
    clock = LineClock(sources=hands.sources())
    inbox = Inbox(clock)
    inbox.put(Lane.KEPT, lambda heard: (Stopped(heard, "a"),))
    assert inbox.take(0) == [Stopped(clock.now(), "a")]
    assert inbox.take(clock.now()) == (Tick(clock.now()),)


def test_what_says_nothing_is_no_event(hands: Hands) -> None:
    inbox = Inbox(LineClock(sources=hands.sources()))
    inbox.put(Lane.PLUG, lambda _: ())
    assert isinstance(inbox.take(0)[0], Tick)


def test_a_step_and_a_suspend_are_heard(hands: Hands) -> None:
    clock = LineClock(sources=hands.sources())
    inbox = Inbox(clock)
    inbox.put(Lane.KEPT, lambda heard: (Stopped(heard, "before"),))
    hands.sleep(HOUR)
    hands.wall += MINUTE
    heard = drain(inbox)
    assert heard[0] == Stopped(clock.now() - HOUR, "before")
    assert heard[1] == ClockSet(clock.now(), MINUTE, HOUR)


def test_a_flood_of_samples_pushes_out_samples_only(hands: Hands) -> None:
    inbox = Inbox(LineClock(sources=hands.sources()))
    most = LANE_MAX[Lane.SAMPLE]
    inbox.put(Lane.PLUG, lambda heard: (PlugLink(heard, "A-load", up=False),))
    for index in range(most + 10):
        inbox.put(Lane.SAMPLE, lambda heard, i=index: (Stopped(heard, str(i)),))
    heard = drain(inbox)
    assert PlugLink(heard[0].heard, "A-load", up=False) in heard
    numbers = [int(event.by) for event in heard if isinstance(event, Stopped)]
    assert numbers == list(range(10, most + 10))  # the oldest went
    assert inbox.dropped == {"samples": 10}
    assert [event.why for event in heard if isinstance(event, Rejected)] == ["1 too many, dropped"]


def test_a_flood_of_refusals_pushes_out_refusals_only(hands: Hands) -> None:
    inbox = Inbox(LineClock(sources=hands.sources()))
    most = LANE_MAX[Lane.REFUSED]
    inbox.put(Lane.KEPT, lambda heard: (Stopped(heard, "a person"),))
    inbox.put(Lane.PLUG, lambda heard: (PlugReport(heard, "A-load", on=False, power_w=0.0),))
    for index in range(most + 10):
        inbox.put(Lane.REFUSED, lambda heard, i=index: (Rejected(heard, f"stranger {i}", "no"),))
    heard = drain(inbox)
    assert [type(event) for event in heard[:2]] == [Stopped, PlugReport]
    assert len(heard) <= 2 + most
    assert inbox.dropped == {"refusals": 10}
    assert "1 too many, dropped" in [event.why for event in heard if isinstance(event, Rejected)]


def test_a_lane_of_what_is_kept_is_bounded_and_a_refusal_there_is_told(
    hands: Hands, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(inbox_module, "ROOM_WAIT_S", 0.001)
    inbox = Inbox(LineClock(sources=hands.sources()))
    most = LANE_MAX[Lane.KEPT]
    for index in range(most + 2):
        inbox.put(Lane.KEPT, lambda heard, i=index: (Stopped(heard, str(i)),))
    heard = drain(inbox)
    numbers = [int(event.by) for event in heard if isinstance(event, Stopped)]
    assert numbers == list(range(most)), "what was there first stays"
    assert inbox.dropped == {"kept": 2}
    told = [(event.origin, event.why) for event in heard if isinstance(event, Rejected)]
    assert told == [("inbox kept", "1 too many, dropped")]


def test_who_brings_what_is_kept_waits_for_room(
    hands: Hands, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(inbox_module, "ROOM_WAIT_S", 60.0)
    inbox = Inbox(LineClock(sources=hands.sources()))
    most = LANE_MAX[Lane.KEPT]
    for _ in range(most):
        inbox.put(Lane.KEPT, lambda heard: (Stopped(heard, "before"),))
    last = Thread(target=lambda: inbox.put(Lane.KEPT, lambda heard: (Stopped(heard, "late"),)))
    last.start()
    heard: list[Event] = []
    while not any(isinstance(event, Stopped) and event.by == "late" for event in heard):
        heard += inbox.take(0)
    last.join()
    assert inbox.dropped == {}
    assert sum(isinstance(event, Stopped) for event in heard) == most + 1


def test_who_takes_does_not_wait_for_the_room_that_it_makes(
    hands: Hands, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(inbox_module, "ROOM_WAIT_S", 3_600.0)
    inbox = Inbox(LineClock(sources=hands.sources()))
    assert isinstance(inbox.take(0)[0], Tick)
    for _ in range(LANE_MAX[Lane.KEPT] + 1):
        inbox.put(Lane.KEPT, lambda heard: (Stopped(heard, ""),))
    assert inbox.dropped == {"kept": 1}


def test_a_batch_is_bounded(hands: Hands) -> None:
    inbox = Inbox(LineClock(sources=hands.sources()))
    for _ in range(BATCH_MAX + 1):
        inbox.put(Lane.KEPT, lambda heard: (Stopped(heard, ""),))
    assert [len(inbox.take(0)) for _ in range(2)] == [BATCH_MAX, 1]


def test_a_door_that_raises_becomes_a_refusal(hands: Hands) -> None:
    inbox = Inbox(LineClock(sources=hands.sources()))

    def broken(_: Moment) -> list[Event]:
        raise RuntimeError("planted\nfault")

    inbox.put(Lane.SAMPLE, broken)
    assert [event.why for event in inbox.take(0) if isinstance(event, Rejected)] == [
        "it failed to read: `planted·fault`"
    ]


@given(st.lists(st.tuples(st.sampled_from(["a", "b"]), st.integers(0, 20_000)), max_size=60))
def test_a_sender_is_refused_aloud_once_a_minute(sent: list[tuple[str, int]]) -> None:
    thinner, now = Thinner(), 0
    passed: dict[str, list[Rejected]] = {"a": [], "b": []}
    for origin, later in sent:
        now += later
        told = thinner.pass_on(Rejected(now, origin, "bad"))
        if told is not None:
            passed[origin].append(told)
    for told_to in passed.values():
        moments = [event.heard for event in told_to]
        assert all(b - a >= MINUTE for a, b in pairwise(moments))
    assert {origin for origin, _ in sent} == {origin for origin, told in passed.items() if told}


def test_those_held_back_are_counted() -> None:
    thinner = Thinner()
    told = [thinner.pass_on(Rejected(at, "x", "bad")) for at in (0, 1, 2, MINUTE)]
    assert [event and event.why for event in told] == ["bad", None, None, "bad (and 2 more)"]


def test_many_threads_put_and_the_moments_stay_in_order() -> None:
    inbox = Inbox(LineClock())

    def put_some() -> None:
        for _ in range(200):
            inbox.put(Lane.KEPT, lambda heard: (Stopped(heard, ""),))

    threads = [Thread(target=put_some) for _ in range(4)]
    for thread in threads:
        thread.start()
    heard: list[Event] = []
    while sum(isinstance(event, Stopped) for event in heard) < 800:
        heard += inbox.take(0)
    for thread in threads:
        thread.join()
    stamps = [event.heard for event in heard]
    assert stamps == sorted(stamps)


def test_a_wait_ends_when_something_comes() -> None:
    inbox = Inbox(LineClock())
    thread = Thread(target=lambda: inbox.put(Lane.KEPT, lambda heard: (Stopped(heard, "x"),)))
    thread.start()
    taken = inbox.take(inbox.now() + HOUR)
    thread.join()
    assert [event.by for event in taken if isinstance(event, Stopped)] == ["x"]

"""The line over steps, suspends and restarts. All clocks are set by hand; nothing waits."""

from __future__ import annotations

from dataclasses import replace

import pytest
from doors_kit import BERLIN, Hands
from hypothesis import given
from hypothesis import strategies as st

from carerules.adapters import HOST, LineClock
from carerules.domain.event import ClockSet
from carerules.domain.moment import HOUR, MINUTE, SECOND


def test_the_line_starts_at_the_wall_and_follows_boot_time(hands: Hands) -> None:
    clock = LineClock(sources=hands.sources())
    assert clock.now() == hands.wall
    assert (clock.offset(), clock.down) == (0, 0)
    hands.run(HOUR)
    assert clock.now() == hands.wall


@pytest.mark.parametrize("step", [-2 * HOUR, -3 * SECOND, 3 * SECOND, HOUR])
def test_a_step_of_the_wall_moves_the_offset_and_not_the_line(hands: Hands, step: int) -> None:
    clock = LineClock(sources=hands.sources())
    before = clock.now()
    hands.wall += step
    assert clock.now() == before
    assert clock.offset() == step
    assert clock.changed() == ClockSet(before, step, 0)
    assert clock.changed() is None  # told once


def test_slewing_is_told_when_it_has_added_up(hands: Hands) -> None:
    clock = LineClock(sources=hands.sources())
    told = []
    for _ in range(50):  # 0.1 s a minute, far more than a time service slews
        hands.run(MINUTE)
        hands.wall += 100
        told.append(clock.stepped())
    assert [step for step in told if step] == [2_100, 2_100]


def test_a_suspend_runs_the_line_on_and_is_told_once(hands: Hands) -> None:
    clock = LineClock(sources=hands.sources())
    before = clock.now()
    hands.sleep(8 * HOUR)
    assert clock.now() == before + 8 * HOUR
    assert clock.changed() == ClockSet(before + 8 * HOUR, 0, 8 * HOUR)
    assert clock.slept() == 0
    hands.sleep(5 * SECOND)
    assert clock.slept() == 0  # at the limit, not past it


def test_within_one_boot_the_line_goes_on_exactly(hands: Hands) -> None:
    anchor = LineClock(sources=hands.sources()).anchor()
    hands.run(10 * MINUTE)
    hands.wall += 5 * HOUR  # the wall clock was set while nobody listened: it does not matter
    again = LineClock(anchor, hands.sources())
    assert again.now() == anchor.line + 10 * MINUTE
    assert again.down == 10 * MINUTE


@pytest.mark.parametrize(
    ("wall_ran", "line_ran"), [(HOUR, HOUR), (0, 0), (-10 * 365 * 24 * HOUR, 0)]
)
def test_over_a_reboot_the_wall_is_believed_forwards_only(
    hands: Hands, wall_ran: int, line_ran: int
) -> None:
    anchor = LineClock(sources=hands.sources()).anchor()
    hands.wall += wall_ran
    hands.boot, hands.awake, hands.boot_id = 20_000, 20_000, "second"
    again = LineClock(anchor, hands.sources())
    assert again.now() == anchor.line + line_ran
    assert again.down == line_ran
    assert again.offset() == hands.wall - again.now()


def test_without_a_boot_name_two_boots_are_never_the_same(hands: Hands) -> None:
    hands.boot_id = ""
    anchor = LineClock(sources=hands.sources()).anchor()
    hands.wall += MINUTE
    hands.boot += HOUR
    assert LineClock(anchor, hands.sources()).now() == anchor.line + MINUTE


MOVES = st.lists(
    st.tuples(
        st.sampled_from(["run", "sleep", "step", "restart", "reboot"]),
        st.integers(-10_000_000, 10_000_000),
    ),
    max_size=30,
)


@given(MOVES)
def test_the_line_never_runs_backwards(moves: list[tuple[str, int]]) -> None:
    hands = Hands()
    clock = LineClock(sources=hands.sources())
    last = clock.now()
    for what, amount in moves:
        if what == "run":
            hands.run(abs(amount))
        elif what == "sleep":
            hands.sleep(abs(amount))
        elif what == "step":
            hands.wall += amount
        else:
            anchor = clock.anchor()
            if what == "reboot":
                hands.boot = hands.awake = abs(amount)
                hands.boot_id += "+"
            clock = LineClock(anchor, hands.sources())
        assert clock.now() >= last
        assert clock.local(BERLIN).read(clock.now()).timestamp() * 1_000 == pytest.approx(
            hands.wall, abs=1
        )
        last = clock.now()
        clock.changed()


def test_the_hosts_own_clocks_are_read() -> None:
    first, second = LineClock(), LineClock()
    # A line begins at the wall clock, rounded: two of them may differ by a millisecond.
    assert abs(second.now() - first.now()) < HOUR
    earlier = second.now()
    assert 0 <= second.now() - earlier < HOUR
    # proc(5): /proc/sys/kernel/random/boot_id is a UUID, the same until the next boot.
    assert len(HOST.boot_id()) == 36
    assert replace(first.anchor(), line=0, wall_ms=0, boot_ms=0).boot_id == HOST.boot_id()

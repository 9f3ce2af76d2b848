"""`for` and `in last` as tables, and against the definition on random signals.

The definition is past-time metric temporal logic (historically, once) over right-continuous step
functions, written out below sample by sample on a grid. Source of the logic: R. Koymans, Specifying
real-time properties with metric temporal logic, Real-Time Systems 2 (1990) 255-299 (from memory).
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from carerules.domain.moment import NEVER
from carerules.domain.quantity import Truth
from carerules.engine.hold import FRESH_PAST, FRESH_RUN, hold_for, was_in_last

N, U, Y = Truth.NO, Truth.UNKNOWN, Truth.YES
TRUTH = {"n": N, "u": U, "y": Y}

# (what is seen: moment and truth; when asked; `for 10` with a bridge of 4; what was wanted)
FOR_TABLE = [
    ("a run that is long enough", "0y", 10, Y),
    ("a run that is one short", "0y", 9, N),
    ("no sample is needed at the deadline", "0y", 25, Y),
    ("a no at the very deadline wins", "0y 10n", 10, N),
    ("a run ends at its end, exclusive", "0y 12n", 11, Y),
    ("and not at it", "0y 12n", 12, N),
    ("before the first sample nothing runs", "0u", 50, U),
    ("the run starts with the first yes", "0u 5y", 14, N),
    ("and is over ten later", "0u 5y", 15, Y),
    ("in a gap the answer is unknown", "0y 3u", 12, U),
    ("a short gap does not break the run", "0y 3u 6y", 10, Y),
    ("a gap as long as the bridge does", "0y 3u 7y", 10, N),
    ("and the run starts anew after it", "0y 3u 7y", 17, Y),
    ("a no inside a gap breaks it", "0y 3u 4n 5y", 14, N),
    ("two short gaps", "0y 2u 4y 6u 8y", 10, Y),
    ("a no breaks", "0y 5n 6y", 15, N),
    ("and the new run counts", "0y 5n 6y", 16, Y),
]


def run_for(seen: str, asked: int, *, time: int = 10, bridge: int = 4) -> Truth:
    words = [(int(word[:-1]), TRUTH[word[-1]]) for word in seen.split()]
    heard = [word for word in words if word[0] <= asked]
    run, answer = FRESH_RUN, U
    for at, truth in [*heard, (asked, heard[-1][1])]:
        run, answer, until = hold_for(run, truth, at, time, bridge)
        assert until > at
    return answer


@pytest.mark.parametrize(("what", "seen", "asked", "wanted"), FOR_TABLE, ids=str)
def test_for(what: str, seen: str, asked: int, wanted: Truth) -> None:
    assert run_for(seen, asked) is wanted


IN_LAST_TABLE = [
    ("yes now", "0n 5y", 5, Y),
    ("yes a while ago", "0y 5n", 14, Y),
    ("yes just too long ago", "0y 5n", 15, N),
    ("never yes", "0n", 40, N),
    ("unknown now", "0n 5u", 6, U),
    ("yes ago beats unknown now", "0y 5u", 14, Y),
    ("unknown a while ago", "0n 5u 8n", 17, U),
    ("unknown too long ago", "0n 5u 8n", 18, N),
    ("nothing was seen before", "0n", 0, N),
]


@pytest.mark.parametrize(("what", "seen", "asked", "wanted"), IN_LAST_TABLE, ids=str)
def test_in_last(what: str, seen: str, asked: int, wanted: Truth) -> None:
    past, answer, inner = FRESH_PAST, U, N
    for word in seen.split():
        inner = TRUTH[word[-1]]
        past, answer, _ = was_in_last(past, inner, int(word[:-1]), 10)
    past, answer, _ = was_in_last(past, inner, asked, 10)
    assert answer is wanted


changes = st.lists(st.tuples(st.integers(1, 8), st.sampled_from([N, Y])), min_size=1, max_size=30)


def signal_of(steps: list[tuple[int, Truth]]) -> tuple[list[tuple[int, Truth]], int]:
    at, seen = 0, []
    for gap, truth in steps:
        seen.append((at, truth))
        at += gap
    return seen, at


def value_at(seen: list[tuple[int, Truth]], at: int) -> Truth:
    return [truth for moment, truth in seen if moment <= at][-1]


@given(changes, st.integers(0, 12), st.sets(st.integers(0, 200)))
def test_for_is_historically(steps, time: int, extra: set[int]) -> None:
    """At each instant, and with looks at any extra instants, `for` is what the logic says."""
    seen, end = signal_of(steps)
    looks = sorted({moment for moment, _ in seen} | {at for at in extra if at < end} | {end - 1})
    run = FRESH_RUN
    for at in looks:
        run, answer, due = hold_for(run, value_at(seen, at), at, time, 0)
        window = [value_at(seen, t) for t in range(max(0, at - time), at + 1)]
        historically = at - time >= 0 and all(truth is Y for truth in window)
        assert (answer is Y) == historically, (seen, time, at)
        if answer is N and due < NEVER:  # the deadline is exact
            _, before, _ = hold_for(run, value_at(seen, at), due - 1, time, 0)
            _, then, _ = hold_for(run, value_at(seen, at), due, time, 0)
            assert before is N
            assert then is Y


@given(changes, st.integers(0, 12), st.sets(st.integers(0, 200)))
def test_in_last_is_once(steps, time: int, extra: set[int]) -> None:
    seen, end = signal_of(steps)
    looks = sorted({moment for moment, _ in seen} | {at for at in extra if at < end} | {end - 1})
    past = FRESH_PAST
    for at in looks:
        past, answer, _ = was_in_last(past, value_at(seen, at), at, time)
        window = [value_at(seen, t) for t in range(max(0, at - time), at + 1)]
        once = any(truth is Y for truth in window)
        assert (answer is Y) == once, (seen, time, at)


def test_a_minute_that_the_clock_change_skips_is_the_first_after_the_gap() -> None:
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from carerules.domain.action import DayWindow
    from carerules.domain.moment import MINUTE, SECOND, LocalTime
    from carerules.engine.window import inside

    # Berlin, 29 March 2026: 02:00 is 03:00 (EU summer time, Directive 2000/84/EC)
    berlin = LocalTime(ZoneInfo("Europe/Berlin"))
    gap_ends = berlin.moment(datetime(2026, 3, 29, 3, 0))
    half_past_two = DayWindow(150, 151)
    assert inside(half_past_two, gap_ends - 1, berlin) == (False, gap_ends)
    assert inside(half_past_two, gap_ends, berlin) == (True, gap_ends + MINUTE)
    assert inside(half_past_two, gap_ends + MINUTE, berlin)[0] is False
    assert inside(half_past_two, gap_ends + 61 * SECOND, berlin)[0] is False

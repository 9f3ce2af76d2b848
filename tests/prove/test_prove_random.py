"""The prover against trying out every value: no witness that is none, and nothing missed."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from random import Random
from zoneinfo import ZoneInfo

from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st
from prove_kit import HERON, MONDAY, SIGNALS, rounds_of, truths
from random_plans import (
    LIMITS,
    ROOM,
    SMOKE,
    SOC,
    WARMTH,
    classes,
    conditions,
    depth,
    ever_true,
    grid,
    holds_now,
    rule,
)

from carerules.domain.action import Charge, DayWindow
from carerules.domain.condition import (
    And,
    Compare,
    Condition,
    CountIn,
    CountSince,
    During,
    For,
    InLast,
    Not,
    Op,
    Or,
    TimeSince,
    TimeUntilUse,
    parts,
    walk,
)
from carerules.domain.moment import DAY, HOUR, LocalTime
from carerules.domain.plan import Never, Plan
from carerules.domain.quantity import COUNT, DURATION, Quantity, Truth
from carerules.engine import Facts
from carerules.engine.expression import make_ready
from carerules.lang.prove import Meeting, Witness, prove

TRIED_MAX = 60_000  # histories tried out for one plan: a second or two
# By the clock of a busy machine any drawing is too slow.
MANY = settings(
    max_examples=150, deadline=None,
    suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow],
)  # fmt: skip
PLAYED = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))


def few_enough(*wholes: Condition) -> bool:
    kinds = len(classes(wholes, grid(wholes)))
    return kinds ** (max(map(depth, wholes)) + 1) <= TRIED_MAX


def looks_back_twice(condition: Condition) -> bool:
    """A look back inside a look back: there the prover may say that it does not know."""
    return any(depth(c) and any(depth(p) for p in parts(c)) and not _plain(c)
               for c in walk(condition))  # fmt: skip


def _plain(condition: Condition) -> bool:
    return depth(condition) == max(depth(part) for part in parts(condition))


@MANY
@given(conditions((SOC, WARMTH, SMOKE)))
def test_never_fires_is_what_trying_out_says(when: Condition) -> None:
    assume(few_enough(when))
    proofs = prove(Plan((rule("a", when),)), SIGNALS, (HERON,))
    fires = ever_true([when])
    if proofs.never_true or proofs.only_at_first:
        assert not fires, "a rule that fires was called dead"
    elif proofs.undecided:
        assert looks_back_twice(when)
    else:
        assert fires, "a dead rule was called alive"


@MANY
@given(conditions((SOC, WARMTH, SMOKE)))
def test_always_true_is_what_trying_out_says(when: Condition) -> None:
    assume(few_enough(when))
    proofs = prove(Plan((rule("a", when),)), SIGNALS, (HERON,))
    always = not ever_true([Not(when)])
    assert bool(proofs.always_true) <= always
    if always and not looks_back_twice(when):
        assert proofs.always_true or proofs.never_true or proofs.only_at_first or proofs.undecided


@MANY
@given(conditions((SOC, WARMTH), leaves=4), conditions((SOC, WARMTH), leaves=4))
def test_rivals_are_what_trying_out_says(one: Condition, other: Condition) -> None:
    something_to_move = Compare(SOC, ">", Quantity(0.5, SOC.dimension))
    assume(few_enough(one, other, something_to_move))
    proofs = prove(Plan((rule("a", one, 0.0), rule("b", other, 0.5))), SIGNALS, (HERON,))
    both = ever_true([one, other, something_to_move])
    if proofs.rivals:
        assert both, "rivals that never meet"
    elif proofs.undecided:
        assert looks_back_twice(one) or looks_back_twice(other)
    else:
        assert not both, "rivals that were missed"


@PLAYED
@given(conditions((SOC, WARMTH, ROOM), leaves=4), conditions((SOC, WARMTH, SMOKE), leaves=4))
def test_every_witness_of_rivals_is_real(one: Condition, other: Condition) -> None:
    plan = Plan((rule("a", one, 0.0), rule("b", other, 0.5)))
    for found in prove(plan, SIGNALS, (HERON,)).rivals:
        assert truths(plan, found.witness) == [Truth.YES, Truth.YES]


@PLAYED
@given(conditions((SOC, WARMTH), leaves=4), conditions((SOC, WARMTH, SMOKE), leaves=4))
def test_every_witness_of_interlocks_is_real(when: Condition, forbids: Condition) -> None:
    """What is shown to keep a drain from starting makes rule and `never` true; what is shown to
    step in later, the `never`. Two rules are played in their stead, so that both can be seen."""
    one, two = rule("a", when, 20.0), rule("b", forbids, 20.0)
    never = Never("drain", one.selector, forbids, two.span)
    for found in prove(Plan((one,), (never,)), SIGNALS, (HERON,)).interlocks:
        if found.witness is None:
            assert found.meeting in (Meeting.APART, Meeting.UNDECIDED)
            continue
        later = found.meeting is Meeting.LATER
        plan = Plan((two,) if later else (one, two))
        assert set(truths(plan, found.witness)) == {Truth.YES}
        assert dict(found.witness.state.values).get(SOC, 100.0) > 20.0


@PLAYED
@given(
    conditions((SOC, WARMTH), timed=False, leaves=4),
    conditions((SOC, WARMTH), timed=False, leaves=4),
    st.sampled_from((20.0, 40.0, 50.0)), st.sampled_from((45.0, 60.0, 80.0)),
)  # fmt: skip
def test_every_loop_comes_round(one: Condition, other: Condition, low: float, high: float) -> None:
    """Between drain and charge, again and again, as the engine fires the two; where something else
    has to change in between, each fires at least where it is said to."""
    up = replace(rule("b", other), actions=(Charge(high),))
    plan = Plan((rule("a", one, low), up))
    for loop in prove(plan, SIGNALS, (HERON,)).loops:
        if loop.tight:
            assert rounds_of(plan, loop, (HERON,)) >= 3
        for fires, state in zip(loop.rules, loop.states, strict=True):
            alone = Plan((fires,))
            assert truths(alone, Witness(loop.pack, state)) == [Truth.YES]


@MANY
@given(
    conditions((SOC, WARMTH), timed=False, leaves=4),
    conditions((SOC, WARMTH), timed=False, leaves=4),
    st.sampled_from((20.0, 40.0, 50.0)), st.sampled_from((45.0, 60.0, 80.0)),
)  # fmt: skip
def test_no_loop_is_missed(one: Condition, other: Condition, low: float, high: float) -> None:
    """With the warmth as it is, each level tried: where a drain and a charge send a pack round, as
    well where they end as a little below, a tight loop is shown."""
    up = replace(rule("b", other), actions=(Charge(high),))
    goes_round = any(
        holds_now(one, {SOC: top, WARMTH: warmth})
        and holds_now(other, {SOC: bottom, WARMTH: warmth})
        and all(
            any(not holds_now(when, {SOC: level, WARMTH: warmth}) for level in between(bottom, top))
            for when in (one, other)
        )
        for warmth in {at[WARMTH] for at in grid([one, other, AS_WARM])}
        for bottom in (low, low - 0.3) for top in (high, high - 0.3)
    )  # fmt: skip
    loops = prove(Plan((rule("a", one, low), up)), SIGNALS, (HERON,)).loops
    assert any(loop.tight for loop in loops) >= goes_round


AS_WARM = Compare(WARMTH, ">", Quantity(0.0, WARMTH.dimension))


def between(bottom: float, top: float) -> list[float]:
    """A level out of each stretch between two limits on the way."""
    cuts = sorted({bottom, top, *(limit for limit in LIMITS[SOC] if bottom < limit < top)})
    return [(low + high) / 2 for low, high in pairwise(cuts)]


@MANY
@given(
    conditions((SOC, WARMTH), timed=False, leaves=5),
    conditions((SOC, WARMTH), timed=False, leaves=5),
    st.sampled_from((20.0, 40.0, 50.0)),
)
def test_interlocks_are_what_trying_out_says(
    when: Condition, forbids: Condition, target: float
) -> None:
    plan = Plan(
        (rule("a", when, target),),
        (Never("drain", rule("a", when).selector, forbids, rule("b", when).span),),
    )
    there = Compare(SOC, ">", Quantity(target, SOC.dimension))
    points = grid([when, forbids, there])
    starts = [at for at in points if holds_now(And((when, there)), at)]
    fires = [at for at in points if holds_now(when, at)]
    found = {one.meeting for one in prove(plan, SIGNALS, (HERON,)).interlocks}
    if not starts:
        assert not found
        return
    # A drain falls from where it started, so it never lies above the highest start. Where the rule
    # says nothing of the charge, that is anywhere.
    highest = max(at.get(SOC, 100.0) for at in fires)
    runs = [at for at in points if target < at[SOC] <= highest]
    forbidden = [holds_now(forbids, at) for at in starts]
    later = any(holds_now(forbids, at) for at in runs)
    wanted = (
        Meeting.ALWAYS if all(forbidden)
        else Meeting.AT_START if any(forbidden)
        else Meeting.LATER if later
        else Meeting.APART
    )  # fmt: skip
    assert found == {wanted}


# ---- what moves by itself: against the engine ----------------------------------------------------

HOURS = (2 * HOUR, 3 * HOUR, 5 * HOUR)
CLOCKED = st.one_of(
    st.builds(
        Compare,
        st.sampled_from((TimeSince("use"), TimeSince("charge"), TimeUntilUse())),
        st.sampled_from(("<", "<=", ">", ">=")),
        st.sampled_from([Quantity(time, DURATION) for time in HOURS]),
    ),
    st.builds(
        Compare,
        st.sampled_from((CountIn("charge", 4 * HOUR), CountSince("charge", "use"))),
        st.sampled_from(("<", ">=", "=")),
        st.sampled_from([Quantity(number, COUNT) for number in (1, 2)]),
    ),
    st.builds(During, st.sampled_from((DayWindow(120, 360), DayWindow(1320, 240)))),
)


def clocked() -> st.SearchStrategy[Condition]:
    def grown(inner: st.SearchStrategy[Condition]) -> st.SearchStrategy[Condition]:
        many = st.lists(inner, min_size=2, max_size=3).map(tuple)
        times = st.sampled_from((HOUR, 3 * HOUR))
        return st.one_of(
            st.builds(And, many), st.builds(Or, many), st.builds(Not, inner),
            st.builds(For, inner, times), st.builds(InLast, inner, times),
        )  # fmt: skip

    return st.recursive(CLOCKED, grown, max_leaves=4)


@settings(max_examples=120, deadline=None)
@given(clocked(), st.integers(0, 2**32))
def test_what_is_called_dead_is_never_true_in_the_engine(when: Condition, seed: int) -> None:
    """Days with uses and charges at any half hour: a rule that was called dead stays silent from
    the first look on, and once all that it looks back on has been seen, one that can fire only at
    first is silent too, and one that was called always true is true."""
    proofs = prove(Plan((rule("a", when),)), SIGNALS, (HERON,))
    at_first, seen = truths_on_a_day(when, Random(seed))
    if proofs.never_true:
        assert Truth.YES not in at_first | seen
    if proofs.only_at_first:
        assert Truth.YES not in seen
    if proofs.always_true:
        assert Truth.NO not in seen


def used_for(op: Op, hours: int) -> Condition:
    return Compare(TimeSince("use"), op, Quantity(hours * HOUR, DURATION))


@PLAYED
@example(  # a time since of two hours and more, and of three and more: not a day later in a minute
    InLast(And((used_for("<", 3), used_for(">", 2))), HOUR),
    InLast(And((used_for(">", 2), used_for(">", 3))), HOUR),
)
@given(clocked(), clocked())
def test_every_witness_with_clocks_is_real(one: Condition, other: Condition) -> None:
    plan = Plan((rule("a", one, 0.0), rule("b", other, 0.5)))
    for found in prove(plan, SIGNALS, (HERON,)).rivals:
        assert truths(plan, found.witness) == [Truth.YES, Truth.YES]


def truths_on_a_day(when: Condition, chance: Random) -> tuple[set[Truth], set[Truth]]:
    """What the engine makes of the condition, looked at whenever it could change: at first, and
    once the time that it looks back on has passed."""
    ready = make_ready(when, SIGNALS)
    memory = list(ready.fresh)
    happened: dict[str, tuple[int, ...]] = {}
    halves = range(1, 2 * 24)
    events = sorted(
        (MONDAY + half * HOUR // 2, what)
        for half in halves for what in ("use", "charge") if chance.random() < 0.15
    )  # fmt: skip
    planned = tuple(at for at, what in events if what == "use" and chance.random() < 0.5)
    at_first: set[Truth] = set()
    seen: set[Truth] = set()
    now = MONDAY
    while now < MONDAY + DAY:
        facts = Facts({}, {}, {}, dict(happened), planned, LocalTime(ZoneInfo("UTC")))
        truth, until = ready.run(facts, now, memory)
        # Two looks back of three hours, and more.
        (seen if now >= MONDAY + 12 * HOUR else at_first).add(truth)
        now = min(until, min((at for at, _ in events), default=until))
        while events and events[0][0] <= now:
            at, what = events.pop(0)
            happened[what] = (*happened.get(what, ()), at)
    return at_first, seen

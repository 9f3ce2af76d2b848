"""A pack's rules looked at: each moment at which one could change by itself exactly then.

Knows rules, the readings that they see, and when each must be looked at again. Does not know how a
reading comes about, or what a job makes of a rule that fired. However late the shell comes round
to it, what came due is looked at as of when it did: ticks, bursts and restarts do not change what
is true.
"""

from __future__ import annotations

from carerules.battery import Estimate, shelved, take_time, turns
from carerules.domain.moment import Moment
from carerules.domain.quantity import Truth
from carerules.engine import (
    Facts,
    Memory,
    RuleState,
    count,
    evaluate,
    explain,
    ready_to_fire,
    reasons,
    remember_nevers,
)
from carerules.loop.turn import Activation, Turn
from carerules.loop.world import World, chemistry_of, put, station_readings

CATCH_UP_MAX = 10_000
"""Looks in one catching-up: far more than any plan can be due in a year of silence; a bound, not
a plan. Past it the pack is looked at as it stands."""


def facts_of(world: World, name: str) -> Facts:
    """What the pack's rules can see."""
    state = world.packs[name]
    asks = state.station is not None and world.setup.bound[name].reads_station
    return Facts(
        state.estimate.readings,
        station_readings(world, state.station) if asks and state.station else {},
        world.room,
        state.happened,
        state.uses,
        world.local,
        world.counts,
    )


def catch_up(turn: Turn, name: str, until: Moment) -> None:
    """Look at the pack's rules at each moment before `until` at which one could change."""
    for _ in range(CATCH_UP_MAX):
        due = turn.pack(name).due
        if due >= until:
            return
        look_once(turn, name, due, whole=False)


def look(turn: Turn, name: str, at: Moment) -> None:
    """Look at the pack's rules as of `at`, after all that came due before."""
    catch_up(turn, name, at)
    look_once(turn, name, at)


def with_own_circuit(turn: Turn, name: str, after: Estimate) -> Estimate:
    """The estimate with the work of the pack's own discharge circuit, if it has one."""
    pack = turn.rated(name)
    if pack.discharges_after is None:
        return after
    return shelved(turn.pack(name).estimate, after, pack, chemistry_of(turn.world, pack))


def _pass_time(turn: Turn, name: str, at: Moment) -> None:
    """A circuit of the pack's own begins or ends its work without anybody saying so."""
    pack, estimate = turn.rated(name), turn.pack(name).estimate
    if at > estimate.track.at:
        after = take_time(estimate, pack, chemistry_of(turn.world, pack), at)
        turn.set_pack(name, estimate=with_own_circuit(turn, name, after))


def look_once(turn: Turn, name: str, at: Moment, *, whole: bool = True) -> None:
    """Look at the pack's rules as of `at`: at every one, or where nothing but its readings can have
    changed since the last look, at those only that they or the time may have changed."""
    own = turn.rated(name).discharges_after is not None
    if own:
        _pass_time(turn, name, at)
    state = turn.pack(name)
    bound = turn.world.setup.bound[name]
    facts = facts_of(turn.world, name)
    watch, looked_at, whose = bound.watch, state.looked_at, None
    if whole or looked_at is None:
        looked_at = watch.sections(facts.readings, at)
    else:
        looked_at, moved = watch.moved(looked_at, facts.readings, at)
        whose = moved | watch.each_look
    rules, due = evaluate(bound, state.rules, facts, at, whose, state.deadline)
    assert due > at
    if turn.world.starting_since is None and not state.retired:
        rules = _activations(turn, name, rules, facts, at)
    nevers: tuple[tuple[Memory, ...], ...] = ()
    if bound.nevers:
        nevers, its_due = remember_nevers(bound, state.nevers, facts, at)
        due = min(due, its_due)
    if bound.counted:
        due = min(due, _count(turn, name, facts, at))
    if own:
        due = min(due, turns(state.estimate, turn.rated(name), at))
    turn.set_pack(
        name, rules=rules, nevers=nevers, deadline=due,
        due=min(due, watch.stale_at(facts.readings, at)),
        looked_at=looked_at,
    )  # fmt: skip


def _count(turn: Turn, name: str, facts: Facts, at: Moment) -> Moment:
    """Whether the pack counts by each condition that packs are counted by; changes are noted, so
    that whoever asks for the number looks again in this turn."""
    before = turn.pack(name).counting
    after, due = count(turn.world.setup.bound[name], before, facts, at)
    turn.set_pack(name, counting=after)
    for old, new in zip(before, after, strict=True):
        change = (new.truth is Truth.YES) - (old.truth is Truth.YES)
        if change:
            number = turn.world.counts.get(new.key, 0) + change
            turn.change(counts=put(turn.world.counts, new.key, number))
            turn.recounted = True
    return due


def look_if_new(turn: Turn, name: str, at: Moment) -> None:
    """Look at the rules of the pack that its readings, or the time, may have changed as of `at`.

    Most samples move nothing past a limit; this is what makes a thousand of them cheap.
    """
    state = turn.pack(name)
    watch, readings = turn.world.setup.bound[name].watch, state.estimate.readings
    looked_at = state.looked_at
    if looked_at is None or at >= state.due or watch.moved(looked_at, readings, at)[1]:
        look_once(turn, name, at, whole=False)
        return
    due = min(state.deadline, watch.stale_at(readings, at))
    if due != state.due:
        turn.set_pack(name, due=due)


def _activations(
    turn: Turn, name: str, rules: tuple[RuleState, ...], facts: Facts, at: Moment
) -> tuple[RuleState, ...]:
    """Take down each rule that became true and has not fired for this run.

    This happens at each look, also at one that is made late: a deadline that passed while nobody
    ticked has passed all the same.
    """
    if not any(ready_to_fire(rule) for rule in rules):
        return rules
    after: list[RuleState] = []
    for bound, rule in zip(turn.world.setup.bound[name].rules, rules, strict=True):
        if not ready_to_fire(rule) or (name, rule.key) in turn.world.muted:
            after.append(rule)
            continue
        after.append(rule._replace(armed=False))
        if rule.key not in turn.fired_before:
            since = at if rule.since is None else rule.since
            why = reasons(explain(bound.when, rule.memory, facts, at))
            turn.fired.append(Activation(name, bound, since, why))
    return tuple(after)


def has_fired(turn: Turn, name: str, key: str) -> None:
    """A rule fired for the pack: not again for this run, unless it is over already."""
    rules = tuple(
        rule._replace(armed=rule.armed and rule.truth is Truth.NO) if rule.key == key else rule
        for rule in turn.pack(name).rules
    )
    turn.set_pack(name, rules=rules)

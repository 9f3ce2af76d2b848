"""What is known of a pack: facts put in their place in time, and its rules looked at.

Knows estimates and rules. Does not know jobs or plugs. Each pack keeps its own place in event time
(`seen`): every moment at which one of its rules could change by itself is looked at
exactly then, however late the shell comes round to it, so that ticks, bursts and restarts do not
change what is true.
"""

from __future__ import annotations

from carerules.battery import (
    CHARGED_FULL,
    SAID_FULL,
    Estimate,
    shelved,
    take_energy,
    take_event,
    take_sample,
    take_time,
    turns,
)
from carerules.domain.decision import LeftOut, PackBarred
from carerules.domain.event import Happened, Sample
from carerules.domain.frozen import changed
from carerules.domain.moment import SECOND, Duration, Moment
from carerules.domain.quantity import Known, Truth
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
from carerules.loop.world import PackState, Recent, World, chemistry_of, put, station_readings

LATENESS: Duration = 30 * SECOND
"""A sample this late is put in its place; a later one is left out, and counted."""
FROM_PLUG = "plug "
"""How the source begins of what a plug's power has shown."""
RECENT_MAX = 64
"""Two samples a second over the lateness, and a little over."""
HAPPENED_MAX = 512
"""Happenings of one kind remembered a pack: daily charges of a year and a half."""
COUNTED = ("charge", "drain", "full")
"""What of our own doing the estimate has followed as it flowed."""
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
        _look_once(turn, name, due, whole=False)


def look(turn: Turn, name: str, at: Moment) -> None:
    """Look at the pack's rules as of `at`, after all that came due before."""
    catch_up(turn, name, at)
    _look_once(turn, name, at)


def _shelved(turn: Turn, name: str, after: Estimate) -> Estimate:
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
        turn.set_pack(name, estimate=_shelved(turn, name, after))


def _look_once(turn: Turn, name: str, at: Moment, *, whole: bool = True) -> None:
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
        looked_at = watch.stretches(facts.readings, at)
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


def _look_if_new(turn: Turn, name: str, at: Moment) -> None:
    """Look at the rules of the pack that its readings, or the time, may have changed as of `at`.

    Most samples move nothing past a limit; this is what makes a thousand of them cheap.
    """
    state = turn.pack(name)
    watch, readings = turn.world.setup.bound[name].watch, state.estimate.readings
    looked_at = state.looked_at
    if looked_at is None or at >= state.due or watch.moved(looked_at, readings, at)[1]:
        _look_once(turn, name, at, whole=False)
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


def take_in(turn: Turn, event: Sample | Happened) -> None:
    """A fact about a pack: in its place if it is at most a little late, left out if it is more."""
    name, state = event.pack, turn.pack(event.pack)
    if _heard_before(state, event):
        return
    if event.at < event.heard:
        # The rules have been looked at since. What was decided is not decided twice.
        turn.fired_before = frozenset(rule.key for rule in state.rules if not rule.armed)
    if event.at >= state.seen:
        _apply(turn, event)
    elif state.seen - event.at <= LATENESS:
        _put_in_place(turn, event)
    else:
        late = state.seen - event.at
        turn.set_pack(name, left_out=state.left_out + 1)
        turn.decide(LeftOut(name, late, event.source))
        turn.fired_before = frozenset()
        return
    if event.at < event.heard:
        look(turn, name, event.heard)
        turn.fired_before = frozenset()
    _note_harm(turn, event)


def _heard_before(state: PackState, event: Sample | Happened) -> bool:
    """Whether this very fact was taken in lately: said twice, it changes nothing."""
    for one in state.recent:
        if one.event.at == event.at and changed(one.event, heard=event.heard) == event:
            return True
    return False


def _apply(turn: Turn, event: Sample | Happened) -> None:
    name = event.pack
    if turn.pack(name).due < event.at:
        catch_up(turn, name, event.at)
    state = turn.pack(name)
    recent = Recent(
        event,
        state.estimate,
        state.rules,
        state.nevers,
        state.counting,
        state.happened,
        state.due,
        state.seen,
    )
    horizon = event.heard - LATENESS
    kept = [one for one in state.recent if one.event.at >= horizon][-RECENT_MAX + 1 :]
    pack = turn.rated(name)
    chemistry = chemistry_of(turn.world, pack)
    if isinstance(event, Sample):
        after = take_sample(state.estimate, pack, chemistry, event)
    else:
        # Only the plug's own power tells of a taper: a person's word is a word.
        who = CHARGED_FULL if event.source.startswith(FROM_PLUG) else SAID_FULL
        after = take_event(state.estimate, pack, chemistry, event.what, event.at, who)
    if pack.discharges_after is not None:
        after = _shelved(turn, name, after)
    turn.set_pack(name, seen=event.at, recent=(*kept, recent), estimate=after)
    if isinstance(event, Sample):
        _look_if_new(turn, name, event.at)
        return
    _remember(turn, name, event.what, event.at)


def _put_in_place(turn: Turn, event: Sample | Happened) -> None:
    """Go back to before the later ones, take this one in, and then them again."""
    name, state = event.pack, turn.pack(event.pack)
    later = [one for one in state.recent if one.event.at > event.at]
    if not later:
        _apply(turn, event)
        return
    first = later[0]
    turn.set_pack(
        name, estimate=first.estimate, rules=first.rules, nevers=first.nevers,
        counting=first.counting, happened=first.happened,
        due=first.due, deadline=first.due, seen=first.seen, looked_at=None,
        recent=tuple(one for one in state.recent if one.event.at <= event.at),
    )  # fmt: skip
    for one in (event, *(one.event for one in later)):
        _apply(turn, one)


def take_mark(turn: Turn, name: str, what: str, source: str) -> None:
    """Something that we did ourselves, or a rule marked.

    A `charge` or `drain` of ours was counted as it flowed; from a person the same word says that
    the pack is full, and is all that is known. A rule that marks `full` has read nothing: only the
    plug's own power tells of a taper.
    """
    now = turn.world.now
    if what not in COUNTED or (what == "full" and source.startswith(FROM_PLUG)):
        take_in(turn, Happened(now, now, name, what, source))
        return
    catch_up(turn, name, now)
    _remember(turn, name, what, now)


def _remember(turn: Turn, name: str, what: str, at: Moment) -> None:
    """Put what happened behind what has happened before, and look at the rules that see it."""
    happened = turn.pack(name).happened
    times = (*happened.get(what, ()), at)[-HAPPENED_MAX:]
    turn.set_pack(name, happened=put(happened, what, times))
    _look_once(turn, name, at)


def take_metered(
    turn: Turn, name: str, at: Moment, power_w: float | None, usual_w: float = 0.0
) -> None:
    """Energy that the station's plug meters (W, positive into the pack), and the rules that see it.
    None, and `usual_w`, as in `take_energy`."""
    pack, state = turn.rated(name), turn.pack(name)
    chemistry = chemistry_of(turn.world, pack)
    after = take_energy(state.estimate, pack, chemistry, at, power_w, usual_w)
    turn.set_pack(name, estimate=_shelved(turn, name, after))
    # Going back to put a late fact in its place would lose what flowed since, or that it ended.
    if power_w or usual_w or state.estimate.track.cell_w:
        turn.set_pack(name, recent=())
    catch_up(turn, name, at)
    if turn.world.setup.bound[name].reads_station:
        _look_once(turn, name, at)
    else:
        _look_if_new(turn, name, at)


def _note_harm(turn: Turn, event: Sample | Happened) -> None:
    """A swollen pack, or one seen below the voltage that harms it, waits for a person."""
    name = event.pack
    state = turn.pack(name)
    if state.barred:
        return
    why = ""
    if isinstance(event, Happened):
        why = "swollen" if event.what == "swelling" else ""
    else:
        lowest = state.estimate.readings.get("pack.cell.min")
        harm = turn.rated(name).limits.cell_v_harm
        if isinstance(lowest, Known) and lowest.at == event.at and lowest.value < harm:
            why = f"seen at {lowest.value:.2f} V a cell, below {harm:.2f} V"
    if why:
        bar(turn, name, why, retired=False)


def bar(turn: Turn, name: str, why: str, *, retired: bool) -> None:
    """No energy into or out of this pack until a person has released it."""
    if retired:
        turn.set_pack(name, retired=f"retired: {why}")
    else:
        turn.set_pack(name, barred=f"quarantined: {why}")
    turn.decide(PackBarred(name, retired, why))

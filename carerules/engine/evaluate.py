"""Rules over facts: which of them became true for a pack, and when to look again.

Knows rules, readings and what was remembered. Does not know what firing leads to.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from carerules.domain.condition import Condition, NumberOfPacks, values, walk
from carerules.domain.frozen import changed, guarded
from carerules.domain.moment import NEVER, Moment
from carerules.domain.pack import Pack
from carerules.domain.plan import Forbidden, Never, Plan, Rule
from carerules.domain.quantity import Reading, Truth
from carerules.domain.selector import selects
from carerules.domain.signal import Catalogue
from carerules.domain.wording import wording
from carerules.engine.expression import Ready, looks_back, make_ready
from carerules.engine.hold import Memory
from carerules.engine.value import Facts, count_key
from carerules.engine.watch import NOBODY, Places, Watch, watch_over

NO, YES = Truth.NO, Truth.YES  # looked up once: each rule asks for them at each look


@guarded
class BoundRule:
    """A rule made ready to run. Its key tells two rules of one meaning apart.

    `fresh` is its state before the first look, `resting` that of most rules most of the time: not
    true, nothing remembered. All packs share these two. `alone`: its condition is all that it has.
    """

    rule: Rule
    key: str
    when: Ready
    rearm: Ready | None
    stop: Ready | None
    fresh: RuleState
    resting: RuleState
    alone: bool


@guarded
class BoundNever:
    """An author's interlock made ready, on the pessimistic bound."""

    never: Never
    when: Ready


@guarded
class Bound:
    """All that the plan says about one pack."""

    rules: tuple[BoundRule, ...]
    nevers: tuple[BoundNever, ...]
    counted: tuple[tuple[str, Ready], ...]
    reads_station: bool
    reads_site: bool
    reads_counts: bool
    watch: Watch


class CountState(NamedTuple):
    """What is remembered of a condition that packs are counted by: whether this one counts now."""

    key: str
    memory: tuple[Memory, ...]
    truth: Truth = Truth.UNKNOWN
    until: Moment = NEVER


class RuleState(NamedTuple):
    """What is remembered of one rule for one pack.

    `truth` and `until` are the last answer and how long it stands by itself; `since` is when the
    condition last became true; `armed`: it may fire when it next does; `stop`: its `stop when`.
    `held`: it fired while its `rearm when` was true as well, and neither has been false since.
    """

    key: str
    memory: tuple[Memory, ...]
    rearm_memory: tuple[Memory, ...] = ()
    stop_memory: tuple[Memory, ...] = ()
    truth: Truth = Truth.UNKNOWN
    until: Moment = NEVER
    since: Moment | None = None
    armed: bool = True
    stop: Truth = Truth.NO
    held: bool = False


def bind_all(plan: Plan, packs: Mapping[str, Pack], signals: Catalogue) -> dict[str, Bound]:
    """All that the plan says, by pack; those that the same rules and interlocks select share one:
    made ready, a rule weighs more than all that is known of a pack."""
    shared: dict[tuple[bool, ...], Bound] = {}
    found: dict[str, Bound] = {}
    for name, pack in packs.items():
        selected = (*[selects(rule.selector, pack) for rule in plan.rules],
                    *[selects(never.selector, pack) for never in plan.nevers])  # fmt: skip
        if selected not in shared:
            shared[selected] = bind(plan, pack, signals)
        found[name] = shared[selected]
    return found


def bind(plan: Plan, pack: Pack, signals: Catalogue) -> Bound:
    """The plan's rules and interlocks that select the pack, made ready."""
    rules: list[BoundRule] = []
    seen: dict[str, int] = {}
    for rule in plan.rules:
        if not selects(rule.selector, pack):
            continue
        meaning = rule.key
        again = seen[meaning] = seen.get(meaning, 0) + 1
        key = meaning if again == 1 else f"{meaning}/{again}"
        when, rearm, stop = (
            make_ready(one, signals) if one else None
            for one in (rule.when, rule.rearm_when, rule.stop_when)
        )
        assert when is not None
        memories = (one.fresh if one else () for one in (when, rearm, stop))
        memory, rearm_memory, stop_memory = memories
        fresh = RuleState(key, memory, rearm_memory, stop_memory)
        resting, alone = fresh._replace(truth=NO), rearm is None and stop is None
        rules.append(BoundRule(rule, key, when, rearm, stop, fresh, resting, alone))
    nevers = tuple(
        BoundNever(never, make_ready(never.when, signals, pessimistic=True))
        for never in plan.nevers
        if selects(never.selector, pack)
    )
    # Every pack is counted by every condition that some rule counts by, also where that rule
    # itself does not select it.
    counted = tuple((count_key(where), make_ready(where, signals)) for where in _counted_by(plan))
    own = [
        (place, one)
        for place, rule in enumerate(rules)
        for one in (rule.when, rule.rearm, rule.stop)
        if one is not None
    ]
    # An interlock that looks back has to see every sample too; the others are asked when needed.
    # It is doubtful in a band about its limit, as wide as the sample's own spread says.
    looking_back = [never.when for never in nevers if never.when.fresh]
    in_doubt = any(name.startswith("pack.") for one in looking_back for name in one.reads)
    # Interlocks and counts are gone through at each look: they share the place behind the rules.
    last = len(rules)
    watched = own + [(last, one) for one in (*looking_back, *(one for _, one in counted))]
    reads = frozenset[str]().union(*(one.reads for _, one in watched))
    reads = reads.union(*(never.when.reads for never in nevers))
    return Bound(
        tuple(rules),
        nevers,
        counted,
        reads_station=any(name.startswith("station.") for name in reads),
        reads_site=any(name.startswith("site.") for name in reads),
        reads_counts=any(_counts(one.condition) for one in looking_back)
        or any(_counts(one.condition) for _, one in own),
        watch=watch_over(
            [(place, one.condition) for place, one in watched], reads, signals,
            each_sample=frozenset((last,)) if in_doubt else NOBODY,
        ),
    )  # fmt: skip


def _counted_by(plan: Plan) -> tuple[Condition, ...]:
    """The conditions that packs are counted by anywhere in the plan, each once."""
    found: dict[str, Condition] = {}
    wholes = [one for rule in plan.rules for one in (rule.when, rule.rearm_when, rule.stop_when)]
    wholes += [never.when for never in plan.nevers]
    for whole in wholes:
        for part in walk(whole) if whole is not None else ():
            for value in values(part):
                if isinstance(value, NumberOfPacks):
                    found.setdefault(count_key(value.where), value.where)
    return tuple(found.values())


def _counts(condition: Condition) -> bool:
    return any(
        isinstance(value, NumberOfPacks) for part in walk(condition) for value in values(part)
    )


def fresh_states(bound: Bound, known: Iterable[RuleState] = ()) -> tuple[RuleState, ...]:
    """A state for each rule: the known one of the same meaning, or a fresh one."""
    by_key = {state.key: state for state in known}
    return tuple(by_key.get(rule.key, rule.fresh) for rule in bound.rules)


def evaluate(
    bound: Bound,
    states: tuple[RuleState, ...],
    facts: Facts,
    now: Moment,
    whose: Places | None = None,
    deadline: Moment = 0,
) -> tuple[tuple[RuleState, ...], Moment]:
    """The rules' states after looking at the facts at `now`, and when the next one is due.

    `whose`: the places of the rules that what was heard may change (`Watch.moved`); besides those
    only what is due is looked at, and before the `deadline` nothing is. None: every rule.
    """
    rules = bound.rules
    if whose is None:
        whose = frozenset(range(len(rules)))
    elif now >= deadline:
        whose = whose.union([place for place, one in enumerate(states) if one.until <= now])
    after = list(states)
    for place in whose:
        if place < len(rules):
            after[place] = _look(rules[place], states[place], facts, now)
    due = NEVER
    for state in after:
        if state.until < due:  # noqa: PLR1730 - each look asks each rule: `min` takes thrice as long
            due = state.until
    return tuple(after), due


def fresh_counts(bound: Bound, known: Iterable[CountState] = ()) -> tuple[CountState, ...]:
    """A state for each condition that packs are counted by."""
    by_key = {state.key: state for state in known}
    return tuple(by_key.get(key) or CountState(key, one.fresh) for key, one in bound.counted)


def count(
    bound: Bound, states: Sequence[CountState], facts: Facts, now: Moment
) -> tuple[tuple[CountState, ...], Moment]:
    """Whether this pack counts, by each condition, and when that is to be looked at again."""
    due = NEVER
    after: list[CountState] = []
    for (key, ready), state in zip(bound.counted, states, strict=True):
        memory = list(state.memory)
        truth, until = ready.run(facts, now, memory)
        due = min(due, until)
        after.append(CountState(key, tuple(memory), truth, until))
    return tuple(after), due


def _look(rule: BoundRule, state: RuleState, facts: Facts, now: Moment) -> RuleState:
    seen = list(state.memory)
    truth, until = rule.when.run(facts, now, seen)
    memory, resting = tuple(seen), rule.resting
    if rule.alone:  # as nearly all looks end: nothing new, or nothing more to remember
        if truth is state.truth and until == state.until and memory == state.memory:
            return state
        if truth is NO and until == NEVER and memory == resting.memory:
            return resting
    key, _, rearm_memory, stop_memory, _, _, since, armed, _, held = state
    if truth is YES:
        since = now if since is None else since
    elif truth is NO:
        since = None
    stop = NO
    if rule.rearm is None:
        armed = armed or truth is NO
    else:
        again, rearm_memory, its_until = _look_aside(rule.rearm, rearm_memory, facts, now)
        until = min(until, its_until)
        # Where both go on being true it has fired, and that is that: how often it is looked at,
        # and for which other rule, must not be how often it fires.
        held = held and not armed and NO not in (truth, again)
        armed = armed or (again is YES and not held)
        held = held or (armed and truth is YES and again is YES)
    if rule.stop is not None:
        stop, stop_memory, its_until = _look_aside(rule.stop, stop_memory, facts, now)
        until = min(until, its_until)
    after = RuleState(
        key, memory, rearm_memory, stop_memory, truth, until, since, armed, stop, held
    )
    return state if after == state else resting if after == resting else after


def _look_aside(
    ready: Ready, memory: tuple[Memory, ...], facts: Facts, now: Moment
) -> tuple[Truth, tuple[Memory, ...], Moment]:
    """A rule's second condition."""
    held = list(memory)
    truth, until = ready.run(facts, now, held)
    return truth, tuple(held), until


def ready_to_fire(state: RuleState) -> bool:
    """Whether the rule is true and has not fired for this run."""
    return state.armed and state.truth is YES


def forbids(
    bound: Bound,
    action: Forbidden,
    memories: Sequence[tuple[Memory, ...]],
    facts: Facts,
    now: Moment,
    stand_ins: Mapping[str, Reading],
) -> tuple[str, Moment]:
    """The wording of the first interlock that forbids the action, or nothing; and until when.

    It forbids unless its condition is certainly false: unknown means not allowed. `stand_ins`: as
    `seen_by`.
    """
    due = NEVER
    for never, memory in zip(bound.nevers, memories, strict=True):
        if never.never.action != action:
            continue
        truth, until = never.when.run(seen_by(never, facts, stand_ins), now, list(memory))
        due = min(due, until)
        if truth is not Truth.NO:
            return wording(never.never.when), until
    return "", due


def seen_by(never: BoundNever, facts: Facts, stand_ins: Mapping[str, Reading]) -> Facts:
    """The facts with readings that stand in for what nobody sees. Not for an interlock that looks
    back on one of them: it remembers nothing of these, and is to see that it cannot know."""
    if not stand_ins or looks_back(never.when, stand_ins):
        return facts
    return changed(facts, readings={**facts.readings, **stand_ins})


def is_past_unseen(
    bound: Bound, action: Forbidden, wanted: str, stand_ins: Mapping[str, Reading]
) -> bool:
    """Whether the interlock of that wording looks back on what nobody sees: it forbids for good."""
    return any(
        never.never.action == action
        and wording(never.never.when) == wanted
        and looks_back(never.when, stand_ins)
        for never in bound.nevers
    )


def remember_nevers(
    bound: Bound, memories: Sequence[tuple[Memory, ...]], facts: Facts, now: Moment
) -> tuple[tuple[tuple[Memory, ...], ...], Moment]:
    """What the interlocks that look back remember after `now`, and when they must look again."""
    due = NEVER
    after: list[tuple[Memory, ...]] = []
    for never, memory in zip(bound.nevers, memories, strict=True):
        held = list(memory)
        if held:
            _, until = never.when.run(facts, now, held)
            due = min(due, until)
        after.append(tuple(held))
    return tuple(after), due

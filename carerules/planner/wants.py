"""What a pack's rules and uses want of it in the time ahead: one charge after the other.

Knows worlds and rules as `foresee` has them. Has no opinion of its own about a charge: each level
is one that a rule's line names, or a use's "full".
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import replace

from carerules.domain.action import Action, Charge, Drain, Hold, Rest
from carerules.domain.frozen import guarded
from carerules.domain.moment import DAY, MINUTE, Duration, Moment
from carerules.domain.pack import Side
from carerules.domain.quantity import Known
from carerules.engine import Job
from carerules.loop import World, foresee, held
from carerules.loop.world import put

WANTS_MAX = 4
"""Charges one after the other of one pack: a rule drains, one charges, and a turn for a gauge."""
FULL = 100.0
FULL_ENOUGH = 99.5
"""A use wants a pack full; what is so full has nothing to wait for."""


@guarded
class Want:
    """A line that moves energy: from `ready` on, done by `due` (None: whenever), after `gap` of
    rest since the one before. `job`: one that is under way. `follows`: a further line of the rule
    before. `whole`: the target (%) of the drain that it is a stage of (`staged`); None: it is all
    of it. `read`: somebody reads the pack and enters it as it begins."""

    line: Drain | Charge
    ready: Moment
    due: Moment | None
    why: str
    use: str = ""
    gap: Duration = 0
    job: Job | None = None
    follows: bool = False
    whole: float | None = None
    read: bool = False

    @property
    def side(self) -> Side:
        """Load or charger."""
        return Side.LOAD if isinstance(self.line, Drain) else Side.CHARGER

    @property
    def target(self) -> float:
        """The charge (%) that is wanted in the end, though this be only a stage on the way."""
        return self.line.target if self.whole is None else self.whole


Takes = Callable[[Drain | Charge, float], Duration]
"""How long a line takes at the quickest from a charge (%)."""


def wants_of(world: World, name: str, until: Moment, takes: Takes) -> list[Want]:
    """What is wanted of the pack until then, in order; up to its next use, after which nobody knows
    what it holds."""
    use = _next_use(world, name)
    end = until if use is None else min(until, use[1])
    state = world.packs[name]
    found: list[Want] = []
    ahead = world
    # A rule fires once on the way: what it has done stays done, as far as anybody can foresee.
    past = {job.key for job in state.jobs}
    for job in state.jobs:
        for want in _of_job(world, job, use):
            found.append(want)
            ahead = _after(ahead, name, want, takes)
    # What it is charged to for its use it keeps until then: after that nobody knows what it holds.
    while len(found) < WANTS_MAX and not _serves(found):
        fired = _next_fired(ahead, name, end, past)
        if fired is None:
            break
        key, moment = fired
        past.add(key)
        rule = next(rule.rule for rule in world.setup.bound[name].rules if rule.key == key)
        lines = list(_lines(rule.actions, max(moment, ahead.now), world, use, rule.name))
        if not lines:
            break
        for want in lines:
            found.append(want)
            ahead = _after(ahead, name, want, takes)
    found = found[:WANTS_MAX]
    soc = ahead.packs[name].soc
    if use is None or use[1] > until or not isinstance(soc, Known) or _serves(found):
        return found
    if soc.value < FULL_ENOUGH:
        line = Charge(FULL, by_use=True)
        found = [*found[: WANTS_MAX - 1], Want(line, world.now, use[1], "", use[0])]
    return found


def _serves(wants: Sequence[Want]) -> bool:
    """Whether one of them charges the pack for its next use."""
    return any(isinstance(one.line, Charge) and one.use for one in wants)


def _next_use(world: World, name: str) -> tuple[str, Moment] | None:
    uses = [(use.start, use.name) for use in world.uses.values()
            if name in use.packs and use.start > world.now]  # fmt: skip
    if not uses:
        return None
    start, title = min(uses)
    return title, start


def _of_job(world: World, job: Job, use: tuple[str, Moment] | None) -> Iterator[Want]:
    """What is left of a job under way."""
    ready, actions = world.now, job.actions[job.line :]
    if actions and isinstance(actions[0], Rest | Hold):
        ready = max(ready, job.since + actions[0].time)
        actions = actions[1:]
    for want in _lines(actions, ready, world, use, job.rule):
        yield replace(want, job=job if want.line is job.action else None)


def _lines(
    actions: Sequence[Action], ready: Moment, world: World, use: tuple[str, Moment] | None,
    rule: str,
) -> Iterator[Want]:  # fmt: skip
    gap: Duration = 0
    follows = False
    for action in actions:
        match action:
            case Rest(time) | Hold(time):
                gap += time
            case Drain():
                yield Want(action, ready, None, rule, gap=gap, follows=follows)
                gap, follows = 0, True
            case Charge():
                due, title = None, ""
                if action.by_use and use is not None:
                    title, due = use
                elif action.by_minute is not None:
                    due = _next_minute(world, max(ready, world.now), action.by_minute)
                yield Want(action, ready, due, rule, title, gap, follows=follows)
                gap, follows = 0, True
            case _:
                pass


def _next_minute(world: World, after: Moment, minute: int) -> Moment:
    wall = world.local.read(after)
    at = wall.replace(hour=minute // 60, minute=minute % 60, second=0, microsecond=0, tzinfo=None)
    moment = world.local.moment(at)
    return moment if moment > after else moment + DAY


def _next_fired(
    world: World, name: str, end: Moment, past: AbstractSet[str]
) -> tuple[str, Moment] | None:
    """The rule that fires soonest of those that have a charge to reach, and have not fired yet."""
    if end <= world.now:
        return None
    firing = foresee(world, name, end - world.now)
    rules = world.setup.bound[name].rules
    charged = [
        (firing[rule.key], number)
        for number, rule in enumerate(rules)
        if rule.key in firing
        and rule.key not in past
        and any(isinstance(action, Drain | Charge) for action in rule.rule.actions)
    ]
    if not charged:
        return None
    moment, number = min(charged)
    return (rules[number].key, moment) if moment < end else None


def _after(world: World, name: str, want: Want, takes: Takes) -> World:
    """The world when the want has been met as soon as it can be, and all else has stayed."""
    state = world.packs[name]
    soc = state.soc
    begin = max(world.now, want.ready) + want.gap
    now = begin + (takes(want.line, soc.value) if isinstance(soc, Known) else MINUTE)
    readings = held(state.estimate.readings, world.setup.signals, world.now, now)
    readings["pack.soc"] = Known(want.line.target, 1.0, now, "the plan")
    estimate = replace(state.estimate, readings=readings)
    after = replace(state, estimate=estimate, jobs=())
    return replace(world, now=now, packs=put(world.packs, name, after))

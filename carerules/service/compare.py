"""What edited rules would have made of the past: when each rule would have begun to hold.

Knows two sets of rules and one journal. Acts on nothing. Both sets look on at what was heard then:
what a job of the edited rules would have changed in its turn is not played.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from carerules.domain.event import Tick
from carerules.domain.frozen import guarded
from carerules.domain.moment import MINUTE, SECOND, Duration, Moment
from carerules.domain.plan import Plan, Rule
from carerules.domain.quantity import Truth
from carerules.engine import line_wording
from carerules.loop import PackState, Setup, World, learn, make_setup, new_world, stranger
from carerules.report.course_shapes import CompareShape, HeldShape
from carerules.service.pasttime import LEAD_IN, is_chatter
from carerules.service.reading import Reader
from carerules.service.reload import change_of

NEAR: Duration = 10 * MINUTE
"""Two beginnings so close are the same one: samples come each half minute to each ten."""
SHOWN_MAX = 200
"""Beginnings told of each side: more than anybody reads before they take an edit."""


@guarded
class _Held:
    rule: str
    pack: str
    at: Moment
    line: str


def compare(reader: Reader, edited: Setup, since: Moment, until: Moment) -> CompareShape:
    """Which rules would have begun to hold, and when, that did not, and the other way round."""
    before: list[_Held] = []
    after: list[_Held] = []
    ours, theirs = _by_key(reader.setup.plan), _by_key(edited.plan)
    for key, pack, at in _beginnings(reader, _of_both(edited, ours, theirs), since, until):
        before += [_held(rule, pack, at) for rule in ours.get(key, ())]
        after += [_held(rule, pack, at) for rule in theirs.get(key, ())]
    gone, new = _only(before, after), _only(after, before)
    local = reader.setup.site.local

    def shapes(held: list[_Held]) -> list[HeldShape]:
        return [
            HeldShape(rule=one.rule, pack=one.pack, at=local.read(one.at), line=one.line)
            for one in held[-SHOWN_MAX:]
        ]

    change = change_of(reader.setup.plan, edited.plan)
    return CompareShape(
        site=reader.setup.site.name, since=local.read(since), until=local.read(until),
        change=change.show(), same=len(before) - len(gone),
        no_more=shapes(gone), anew=shapes(new),
        left_out=max(0, len(gone) - SHOWN_MAX) + max(0, len(new) - SHOWN_MAX),
    )  # fmt: skip


def _only(these: list[_Held], those: list[_Held]) -> list[_Held]:
    """Those of the first that have no partner among the second."""
    left = list(those)
    only = []
    for one in these:
        partner = next(
            (o for o in left
             if (o.rule, o.pack, o.line) == (one.rule, one.pack, one.line)
             and abs(o.at - one.at) <= NEAR),
            None,
        )  # fmt: skip
        if partner is None:
            only.append(one)
        else:
            left.remove(partner)
    return only


def _by_key(plan: Plan) -> dict[str, list[Rule]]:
    """The rules by when they hold: those of one key hold at the same moments."""
    found: dict[str, list[Rule]] = {}
    for rule in plan.rules:
        found.setdefault(rule.key, []).append(rule)
    return found


def _of_both(
    setup: Setup, ours: Mapping[str, list[Rule]], theirs: Mapping[str, list[Rule]]
) -> Setup:
    """One set of rules that looks on for both: the past is gone through once, and what both have is
    asked once. What interlocks forbid is no part of when a rule holds."""
    rules = tuple(of_key[0] for of_key in {**theirs, **ours}.values())
    return make_setup(setup.site, setup.chemistries, setup.signals, Plan(rules))


def _held(rule: Rule, pack: str, at: Moment) -> _Held:
    return _Held(rule.name, pack, at, ", ".join(line_wording(one) for one in rule.actions))


def _beginnings(
    reader: Reader, setup: Setup, since: Moment, until: Moment
) -> Iterator[tuple[str, str, Moment]]:
    """Which rule (its key) began to hold for which pack, and when."""
    world: World | None = None
    held: dict[tuple[str, str], bool] = {}
    seen: dict[str, PackState] = {}
    for _, event, decided in reader.told():
        if event.heard > until:
            break
        if world is None:
            world = new_world(setup, event.heard)
        if event.heard < world.now or stranger(setup, event):
            continue
        if event.heard < since - LEAD_IN and is_chatter(event) and not decided:
            continue
        while event.heard - world.now > NEAR:  # nobody said anything for long: time did
            due = min(state.due for state in world.packs.values())
            if not world.now < due < event.heard:
                break
            world = learn(world, Tick(due), ())
            yield from _begun(world, held, seen, since)
        world = learn(world, event, ())
        yield from _begun(world, held, seen, since)
    if world is not None and world.now < until:
        yield from _begun(learn(world, Tick(until), ()), held, seen, since)


def _begun(
    world: World, held: dict[tuple[str, str], bool], seen: dict[str, PackState], since: Moment
) -> Iterator[tuple[str, str, Moment]]:
    for pack, state in world.packs.items():
        if seen.get(pack) is state:
            continue  # an event touches one pack, and there may be a hundred
        seen[pack] = state
        for bound, its in zip(world.setup.bound[pack].rules, state.rules, strict=True):
            so = its.truth is Truth.YES
            if so and not held.get((pack, bound.key), False) and world.now >= since:
                yield bound.key, pack, world.now - world.now % SECOND
            held[pack, bound.key] = so

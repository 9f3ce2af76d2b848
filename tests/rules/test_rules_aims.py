"""One aim for a pack at a time, with all ready-made files taken in at once.

Every charge from 0 to 100 %, times to the next use on both sides of every limit that a rule names,
and everything else quiet or as bad as it can be.
"""

from functools import cache
from itertools import product

import pytest
from rules_kit import NAMES, plan_of, read

from carerules.domain.action import Charge, Drain
from carerules.domain.condition import (
    And,
    Between,
    Compare,
    Condition,
    For,
    InLast,
    Not,
    Or,
    TimeUntilUse,
    ValueOf,
    compare,
    values,
    walk,
)
from carerules.domain.moment import DAY, MINUTE, NEVER
from carerules.domain.pack import Limits, Pack
from carerules.domain.plan import Rule
from carerules.domain.quantity import Quantity
from carerules.domain.selector import selects
from carerules.domain.wording import value_wording

PLAN = plan_of(read("".join(f'use "{name}"\n' for name in NAMES)))
LIMITS = Limits(3.0, 4.2, 2.5, -10, 60, 0, 45)


def _pack(chemistry: str, *tags: str, role: str = "") -> Pack:
    return Pack("heron", chemistry, 4, 5.0, LIMITS, tags=frozenset(tags), role=role)


NICKEL = ("nimh", "nimh-low-self-discharge")
KINDS = ("lipo", "lipo-high-voltage", "li-ion", "lifepo4", *NICKEL)
PLAIN = [
    *(_pack(kind, *tags) for kind in KINDS for tags in ((), ("smart",), ("rotation",))),
    *(_pack(kind, role="handset") for kind in KINDS),
]
TAGGED = [
    _pack(kind, *tags)
    for kind in KINDS
    for tags in (("travel",), ("laid-up",), ("travel", "laid-up"), ("laid-up", "smart"))
]


def _named(pack: Pack) -> str:
    return " ".join((pack.chemistry, pack.role, *sorted(pack.tags)))


def _limits_on_time() -> list[float]:
    """Times to the next use: each limit that a rule names, and a minute to both sides."""
    found = {
        side.value
        for rule in PLAN.rules
        for part in walk(rule.when)
        if isinstance(part, Compare) and isinstance(part.left, TimeUntilUse)
        for side in (part.right,)
        if isinstance(side, Quantity)
    }
    around = {at + by for at in found for by in (-MINUTE, 0, MINUTE)}
    return sorted({*around, float(NEVER), float(30 * DAY)})


UNTIL = _limits_on_time()
QUIET = {
    "time since swelling": NEVER, "time since inspection": DAY, "time since calibration": DAY,
    "time since full": DAY, "time since use": DAY, "time since charge": DAY, "pack.rested": DAY,
    "pack.temperature": 20.0, "site.temperature": 20.0, "pack.health": 95.0,
    "pack.cell.spread": 0.005, "pack.cell.min": 3.8,
}  # fmt: skip
BAD = {
    "time since swelling": MINUTE, "time since inspection": NEVER, "time since full": NEVER,
    "time since calibration": NEVER, "time since use": NEVER, "time since charge": NEVER,
    "pack.rested": DAY, "pack.temperature": 50.0, "site.temperature": 40.0, "pack.health": 20.0,
    "pack.cell.spread": 0.5, "pack.cell.min": 3.8,
}  # fmt: skip


def _world(quiet: dict[str, float], soc: float, until: float, count: float) -> dict[str, float]:
    return {**quiet, "pack.soc": soc, "time until use": until, "count": count}


def _holds(condition: Condition, world: dict[str, float]) -> bool:
    """Whether the condition is true when all these values have stood for ever."""
    match condition:
        case Compare(left, op, right):
            return compare(_value(left, world), op, _value(right, world))
        case Between(value, low, high):
            return low.value <= _value(value, world) <= high.value
        case And(parts):
            return all(_holds(part, world) for part in parts)
        case Or(parts):
            return any(_holds(part, world) for part in parts)
        case Not(part):
            return not _holds(part, world)
        case For(part, _) | InLast(part, _):
            return _holds(part, world)
        case _:
            raise AssertionError(condition)


def _value(value: ValueOf, world: dict[str, float]) -> float:
    if isinstance(value, Quantity):
        return value.value
    words = value_wording(value)
    return world["count" if words.startswith(("count", "number")) else words]


@cache
def _moving_rules(pack: Pack) -> list[Rule]:
    return [rule for rule in PLAN.rules if _targets(rule) and selects(rule.selector, pack)]


def _movers(pack: Pack, world: dict[str, float]) -> list[Rule]:
    """The rules that want to move energy and may, without those that give way to another."""
    moving = [
        rule for rule in _moving_rules(pack)
        if _holds(rule.when, world) and not _forbidden(pack, rule, world)
    ]  # fmt: skip
    given_way = {name for rule in moving for name in rule.over}
    return [rule for rule in moving if rule.name not in given_way]


def _forbidden(pack: Pack, rule: Rule, world: dict[str, float]) -> bool:
    first = _targets(rule)[0]
    word = "drain" if isinstance(first, Drain) else "charge"
    return any(
        never.action == word and selects(never.selector, pack) and _holds(never.when, world)
        for never in PLAN.nevers
    )


def _targets(rule: Rule) -> list[Drain | Charge]:
    return [action for action in rule.actions if isinstance(action, (Drain, Charge))]


@pytest.mark.parametrize("pack", PLAIN, ids=_named)
def test_a_pack_has_at_most_one_aim(pack: Pack) -> None:
    some = 0
    for quiet, until, count in product((QUIET, BAD), UNTIL, (0, 1, 100)):
        for soc in range(101):
            movers = _movers(pack, _world(quiet, soc, until, count))
            assert len(movers) <= 1, (until, count, soc, [rule.name for rule in movers])
            some += len(movers)
    assert (some == 0) is (pack.chemistry in NICKEL), "radios are only ever told of"


@pytest.mark.parametrize("pack", TAGGED, ids=_named)
def test_a_tagged_pack_has_at_most_one_aim_too(pack: Pack) -> None:
    """Everyday rules leave it to those of its tag, but for charging it before a use in spring."""
    found: set[tuple[bool, bool]] = set()
    for until, count, soc in product(UNTIL, (0, 100), range(101)):
        movers = _movers(pack, _world(QUIET, soc, until, count))
        assert len(movers) <= 1, (until, count, soc, [rule.name for rule in movers])
        found |= {
            (isinstance(_targets(one)[0], Charge), one.name.startswith(("season-", "travel-")))
            for one in movers
        }
    drains, tops_up, everyday = (False, True), (True, True), (True, False)
    wanted = {drains} if "travel" in pack.tags else {drains, tops_up, everyday}
    assert found == (set() if pack.chemistry in NICKEL else wanted)


def _end(pack: Pack, rule: Rule, soc: int, until: float) -> float:
    """Where its job ends: at its target, or on the way there at a `never`."""
    (aim,) = _targets(rule)
    step = -1 if isinstance(aim, Drain) else 1
    for level in range(soc, round(aim.target), step):
        if _forbidden(pack, rule, _world(QUIET, level, until, 0)):
            return level
    return aim.target


@pytest.mark.parametrize("pack", [*PLAIN, *TAGGED], ids=_named)
def test_where_one_aim_ends_no_rule_starts_the_other_way(pack: Pack) -> None:
    """No ping-pong: at the level where a job ends nothing wants to go back."""
    ends = 0
    for until, soc in product(UNTIL, range(101)):
        for rule in _movers(pack, _world(QUIET, soc, until, 0)):
            end = _end(pack, rule, soc, until)
            back = _movers(pack, _world(QUIET, end, until, 0))
            kind = type(_targets(rule)[0])
            other = [one.name for one in back if type(_targets(one)[0]) is not kind]
            assert not other, (rule.name, until, soc, other)
            ends += 1
    assert ends or pack.chemistry in NICKEL


def test_without_over_there_would_be_two() -> None:
    """The first check can fail: rules do meet."""
    full = _world(QUIET, 100, float(NEVER), 0)
    firing = {
        rule.name
        for rule in PLAN.rules
        if selects(rule.selector, _pack("li-ion")) and _holds(rule.when, full)
    }
    assert {"li-ion-stored", "li-ion-full-too-long"} <= firing


def test_every_value_of_every_rule_is_given_above() -> None:
    """A rule that compares what no world here has would raise, not pass: all are looked at."""
    world = _world(QUIET, 50, float(NEVER), 0)
    looked = [
        _value(value, world) for rule in PLAN.rules for part in walk(rule.when)
        for value in values(part)
    ]  # fmt: skip
    assert len(looked) > 100

"""The everyday rules for lithium-polymer packs: one aim at a time, and what each figure says.

The figures are common practice, no source, unless a check names one.
"""

from itertools import pairwise

import pytest
from lang_kit import CATALOGUE, NAMES, fetch

from carerules.domain.action import Charge, Chore, Drain, Mark, Notify, Quarantine, Rest, Retire
from carerules.domain.condition import (
    And,
    Between,
    Compare,
    Condition,
    For,
    InLast,
    Not,
    Or,
    ValueOf,
    compare,
    walk,
)
from carerules.domain.moment import DAY, HOUR, MINUTE, NEVER
from carerules.domain.pack import Limits, Pack
from carerules.domain.plan import Rule
from carerules.domain.quantity import Quantity
from carerules.domain.selector import selects
from carerules.domain.wording import value_wording
from carerules.lang import Loaded, load
from carerules.shipped import shipped

TEXT = (shipped("rules") / "lipo.care").read_text(encoding="utf-8")


def _loaded(text: str) -> Loaded:
    return load(
        {"site.care": text}, catalogue=CATALOGUE, names=NAMES,
        fetch=lambda name: TEXT if name == "lipo" else fetch(name),
    )  # fmt: skip


GOT = _loaded('use "lipo"')
assert GOT.plan is not None, [found.show(TEXT) for found in GOT.diagnostics]
PLAN = GOT.plan
RULES = {rule.name: rule for rule in PLAN.rules}

LIMITS = Limits(3.0, 4.2, 2.5, -10, 60, 0, 45)
LOOSE = Pack("heron", "lipo", 4, 5.0, LIMITS)
GAUGED = Pack("egret", "lipo", 4, 5.0, LIMITS, tags=frozenset({"smart"}))
HANDSET = Pack("grebe", "lipo", 1, 3.0, LIMITS, role="handset")
OTHER = Pack("coot", "lifepo4", 4, 20.0, LIMITS)


def _holds(condition: Condition, values: dict[str, float]) -> bool:
    """Whether the condition is true when all these values have stood for ever."""
    match condition:
        case Compare(left, op, right):
            return compare(_value(left, values), op, _value(right, values))
        case Between(value, low, high):
            return low.value <= _value(value, values) <= high.value
        case And(parts):
            return all(_holds(part, values) for part in parts)
        case Or(parts):
            return any(_holds(part, values) for part in parts)
        case Not(part):
            return not _holds(part, values)
        case For(part, _) | InLast(part, _):
            return _holds(part, values)
        case _:
            raise AssertionError(condition)


def _value(value: ValueOf, values: dict[str, float]) -> float:
    return value.value if isinstance(value, Quantity) else values[value_wording(value)]


def _world(soc: float, until_use: float, charges: float = 0, **more: float) -> dict[str, float]:
    quiet = {"pack.cell.spread": 0.005, "time since swelling": float(NEVER), "pack.health": 95.0}
    return {"pack.soc": soc, "time until use": until_use,
            "count charge since calibration": charges, **quiet, **more}  # fmt: skip


def _firing(pack: Pack, world: dict[str, float]) -> list[Rule]:
    return [r for r in PLAN.rules if selects(r.selector, pack) and _holds(r.when, world)]


def _movers(pack: Pack, world: dict[str, float]) -> list[Rule]:
    """The rules that want to move energy, without those that give way to another of them."""
    moving = [
        r for r in _firing(pack, world) if any(isinstance(a, (Drain, Charge)) for a in r.actions)
    ]
    given_way = {name for rule in moving for name in rule.over}
    return [rule for rule in moving if rule.name not in given_way]


UNTIL = [
    HOUR, 6 * HOUR, 6 * HOUR + 1, 23 * HOUR, 24 * HOUR, 25 * HOUR, 2 * DAY, 2 * DAY + 1,
    5 * DAY, 8 * DAY, 10 * DAY, 10 * DAY + 1, 30 * DAY, NEVER,
]  # fmt: skip


@pytest.mark.parametrize("pack", [LOOSE, GAUGED, HANDSET], ids=lambda pack: pack.name)
def test_a_pack_has_at_most_one_aim(pack: Pack) -> None:
    some = 0
    for until in UNTIL:
        for charges in (0, 20):
            for soc in range(101):
                movers = _movers(pack, _world(soc, until, charges))
                assert len(movers) <= 1, (until, charges, soc, [rule.name for rule in movers])
                some += len(movers)
    assert some > 100


def test_without_over_there_would_be_two() -> None:
    """The check above can fail: rules do meet."""
    meeting = _firing(LOOSE, _world(100, 8 * DAY))
    assert {rule.name for rule in meeting} == {"lipo-use-next-week", "lipo-full-too-long"}


# Pack, charge, time until use, and the aim by common practice; None: let it be.
AIMS = [
    (LOOSE, 100, 25 * HOUR, 80.0), (LOOSE, 100, 20 * HOUR, None), (LOOSE, 80, 30 * HOUR, None),
    (LOOSE, 60, 30 * HOUR, 80.0), (LOOSE, 80, 5 * HOUR, 100.0), (LOOSE, 100, 5 * HOUR, None),
    (LOOSE, 100, 7 * DAY, 50.0), (LOOSE, 100, 8 * DAY, 50.0), (LOOSE, 55, 7 * DAY, None),
    (LOOSE, 100, 30 * DAY, 45.0), (LOOSE, 60, NEVER, 45.0), (LOOSE, 50, NEVER, None),
    (LOOSE, 35, NEVER, None), (LOOSE, 25, NEVER, 40.0),
    (HANDSET, 100, 30 * DAY, 78.0), (HANDSET, 60, 30 * DAY, None), (HANDSET, 90, HOUR, 100.0),
    (OTHER, 100, 30 * DAY, None),
]  # fmt: skip


@pytest.mark.parametrize(("pack", "soc", "until", "aim"), AIMS)
def test_the_aim(pack: Pack, soc: float, until: float, aim: float | None) -> None:
    wanted = [a.target for rule in _movers(pack, _world(soc, until)) for a in rule.actions
              if isinstance(a, (Drain, Charge))]  # fmt: skip
    assert wanted == ([] if aim is None else [aim])


def test_what_one_aim_leaves_no_other_aim_wants_at_once() -> None:
    """No ping-pong: at the level where a job ends, no rule that moves energy fires again."""
    for until in UNTIL:
        for soc in range(101):
            for rule in _movers(LOOSE, _world(soc, until)):
                (target,) = [a.target for a in rule.actions if isinstance(a, (Drain, Charge))]
                assert _movers(LOOSE, _world(target, until)) == [], (rule.name, until, soc)


def test_a_smart_pack_is_calibrated_every_twenty_charges_and_not_before_a_use() -> None:
    (rule,) = _movers(GAUGED, _world(60, 3 * DAY, charges=20))
    assert rule.actions == (Drain(8.0), Rest(30 * MINUTE), Charge(100.0), Mark("calibration"))
    for world in (_world(60, 3 * DAY, charges=19), _world(60, 2 * DAY, charges=20)):
        assert "lipo-calibrate" not in [rule.name for rule in _movers(GAUGED, world)]
    assert "lipo-calibrate" not in [rule.name for rule in _firing(LOOSE, _world(60, 3 * DAY, 20))]


def test_how_long_each_level_may_last() -> None:
    times = {name: [part.time for part in walk(rule.when) if isinstance(part, For)]
             for name, rule in RULES.items()}  # fmt: skip
    assert times["lipo-full-too-long"] == [24 * HOUR]
    assert times["lipo-stored"] == times["lipo-use-next-week"] == [12 * HOUR]
    assert times["lipo-cells-apart"] == [HOUR]
    (grace,) = times["lipo-handset-resting"]
    assert 7 * DAY <= grace <= 10 * DAY


def test_charging_is_forbidden_hot_cold_and_unrested() -> None:
    """45 °C is the upper end of the standard range of charging in the JEITA/BAJ guide of 2007
    (from memory); its lower end is 10 °C, and 5 °C here is common practice, no source."""
    charge = [never for never in PLAN.nevers if never.action == "charge"]
    assert all(selects(n.selector, p) for n in charge for p in (LOOSE, GAUGED, HANDSET))
    assert not any(selects(n.selector, OTHER) for n in PLAN.nevers)
    for celsius, forbidden in [(4.9, True), (5, False), (25, False), (45, False), (45.1, True)]:
        world = {"pack.temperature": celsius, "pack.rested": float(HOUR)}
        assert any(_holds(never.when, world) for never in charge) is forbidden
    for rested, forbidden in [(19 * MINUTE, True), (20 * MINUTE, False)]:
        world = {"pack.temperature": 25.0, "pack.rested": float(rested)}
        assert any(_holds(never.when, world) for never in charge) is forbidden


def test_draining_ends_above_the_trades_cut_off() -> None:
    """3.3 V a cell is the usual cut-off under load of such packs: common practice, no source."""
    (drain,) = [never for never in PLAN.nevers if never.action == "drain"]
    assert _holds(drain.when, {"pack.cell.min": 3.4})
    assert not _holds(drain.when, {"pack.cell.min": 3.41})


def test_a_swollen_pack_is_quarantined_before_anybody_is_told() -> None:
    rule = RULES["lipo-swollen"]
    assert rule in _firing(LOOSE, _world(50, NEVER, **{"time since swelling": float(HOUR)}))
    assert isinstance(rule.actions[0], Quarantine)
    assert isinstance(rule.actions[1], Notify)
    assert rule.actions[1].urgent


@pytest.mark.parametrize(
    ("health", "name"),
    [(81, None), (80, "lipo-tired"), (51, "lipo-tired"), (50, "lipo-worn-out"),
     (20, "lipo-worn-out")],
)  # fmt: skip
def test_a_pack_that_ages_is_told_once_and_then_retired(health: float, name: str | None) -> None:
    fired = [r.name for r in _firing(LOOSE, _world(50, NEVER, **{"pack.health": health}))]
    assert fired == ([] if name is None else [name])
    assert isinstance(RULES["lipo-worn-out"].actions[0], Retire)


def test_a_stored_pack_that_runs_low_is_also_put_on_the_list() -> None:
    assert isinstance(RULES["lipo-stored-low"].actions[0], Chore)


def test_every_rule_gives_its_reason_and_the_file_says_what_it_is() -> None:
    assert all(rule.because for rule in PLAN.rules)
    head = TEXT[: TEXT.index("\nlet ")]
    assert "ommon practice, no source" in head
    assert "maker's instructions come first" in head
    assert GOT.diagnostics == ()


def test_the_aims_rise_towards_the_use() -> None:
    aims = [_movers(LOOSE, _world(100, until)) for until in (30 * DAY, 8 * DAY, 30 * HOUR)]
    targets = [a.target for (rule,) in aims for a in rule.actions if isinstance(a, Drain)]
    assert targets == [45.0, 50.0, 80.0]
    assert all(low < high for low, high in pairwise(targets))


def test_a_site_may_set_its_own_values() -> None:
    got = _loaded('use "lipo" with storage = 50 %, away = 14 d')
    assert got.plan is not None
    (stored,) = [rule for rule in got.plan.rules if rule.name == "lipo-stored"]
    assert stored.actions == (Drain(50.0),)


def test_the_file_also_reads_by_itself() -> None:
    alone = load({"lipo.care": TEXT}, catalogue=CATALOGUE)
    assert alone.diagnostics == ()

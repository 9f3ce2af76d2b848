"""Rivals, and rules that never fire: each verdict against the engine itself.

A witness is played through the real `loop.step`: both rules must be true at its end, and must have
fired on the way.
"""

from __future__ import annotations

import pytest
from prove_kit import HERON, codes, pack, plan_of, played, proofs_of

from carerules.domain.diagnostic import Severity
from carerules.domain.quantity import Truth

# Two rules, and whether they are rivals. The first column says what the row shows.
TABLE = [
    ("both above their limits", "pack.soc >= 95 for 24 h", "drain to 80",
     "pack.soc > 60 for 12 h", "drain to 45", True),
    ("one target", "pack.soc >= 95 for 24 h", "drain to 45", "pack.soc > 60", "drain to 45", False),
    ("apart by charge", "pack.soc >= 95", "drain to 80", "pack.soc < 95", "charge to 95", False),
    ("at the limit itself", "pack.soc >= 95", "drain to 80", "pack.soc <= 95", "drain to 40", True),
    ("apart by time until use", "pack.soc > 60 and time until use > 10 d", "drain to 45",
     "pack.soc > 60 and time until use <= 10 d", "drain to 50", False),
    ("one millisecond in common", "pack.soc > 60 and time until use >= 10 d", "drain to 45",
     "pack.soc > 60 and time until use <= 10 d", "drain to 50", True),
    ("no use planned is longer than any time", "pack.soc > 60 and time until use > 300 d",
     "drain to 45", "pack.soc > 60 and time until use > 10 d", "drain to 50", True),
    ("nothing to move for both at once", "pack.temperature > 30 °C", "drain to 80",
     "pack.temperature > 30 °C", "charge to 60", False),
    ("both have something to move", "pack.temperature > 30 °C", "drain to 60",
     "pack.temperature > 30 °C", "charge to 80", True),
    ("apart by the time of day", "pack.soc > 60 and during 22:00-06:00", "drain to 45",
     "pack.soc > 60 and during 06:00-22:00", "drain to 50", False),
    ("an hour of the night in common", "pack.soc > 60 and during 22:00-06:00", "drain to 45",
     "pack.soc > 60 and during 05:00-22:00", "drain to 50", True),
    ("apart by the day", "pack.soc > 60 and on sat, sun", "drain to 45",
     "pack.soc > 60 and on mon, tue", "drain to 50", False),
    ("one day in common", "pack.soc > 60 and on sat, sun", "drain to 45",
     "pack.soc > 60 and on sun, mon", "drain to 50", True),
    ("a night is no ten hours", "pack.soc > 60 and (during 22:00-06:00 for 10 h)", "drain to 45",
     "pack.soc > 60", "drain to 50", False),
    ("seven hours into the night", "pack.soc > 60 and (during 22:00-06:00 for 7 h)", "drain to 45",
     "pack.soc > 60 and during 04:00-05:30", "drain to 50", True),
    ("and not before", "pack.soc > 60 and (during 22:00-06:00 for 7 h)", "drain to 45",
     "pack.soc > 60 and during 04:00-05:00", "drain to 50", False),
    ("not", "not pack.soc < 60", "drain to 45", "pack.soc <= 60", "drain to 50", True),
    ("not, apart", "not pack.soc <= 60", "drain to 45", "pack.soc <= 60", "drain to 50", False),
    ("either side of a hole", "not pack.soc between 40 and 60", "drain to 20",
     "pack.soc > 30 and pack.soc < 50", "drain to 25", True),
    ("only in the hole", "not pack.soc between 40 and 60", "drain to 20",
     "pack.soc between 40 and 60", "drain to 25", False),
    ("held high all day, and low some time of it", "pack.soc > 90 for 24 h", "drain to 50",
     "pack.soc < 80 in last 12 h", "drain to 20", False),
    ("held high for a while, and low before", "pack.soc > 90 for 6 h", "drain to 50",
     "pack.soc < 80 in last 12 h", "drain to 20", True),
    ("held for so long, and not for less", "pack.soc > 90 for 24 h", "drain to 50",
     "not (pack.soc > 80 for 12 h)", "drain to 20", False),
    ("held for so long, and not for longer", "pack.soc > 90 for 12 h", "drain to 50",
     "not (pack.soc > 80 for 24 h)", "drain to 20", True),
    ("nothing in last, all of which is held", "not (pack.temperature > 30 °C in last 2 h)",
     "drain to 50", "pack.temperature > 40 °C in last 1 h", "drain to 20", False),
    ("nothing in the last hour, but before", "not (pack.temperature > 30 °C in last 1 h)",
     "drain to 50", "pack.temperature > 40 °C in last 2 h", "drain to 20", True),
    ("a time since that was long for an hour", "time since use > 2 h for 3 h", "drain to 50",
     "time since use < 4 h", "drain to 20", False),
    ("and is long enough after it", "time since use > 2 h for 1 h", "drain to 50",
     "time since use < 4 h", "drain to 20", True),
    ("counted since the mark, and the mark is newer", "count charge since calibration >= 1 and"
     " time since charge > 2 d", "drain to 50",
     "time since calibration < 1 d", "drain to 20", False),
    ("counted since an older mark", "count charge since calibration >= 1 and"
     " time since charge > 2 d", "drain to 50",
     "time since calibration < 9 d", "drain to 20", True),
    ("counted lately, and long ago", "count charge in last 7 d >= 1", "drain to 50",
     "time since charge > 8 d", "drain to 20", False),
    ("counted lately", "count charge in last 7 d >= 1", "drain to 50",
     "time since charge > 6 d", "drain to 20", True),
    ("more in a day than in a week", "count charge in last 24 h >= 3", "drain to 50",
     "count charge in last 7 d < 3", "drain to 20", False),
    ("in last by the clock, and a time since that runs on", "during 02:00-06:00 in last 1 h",
     "drain to 50", "not during 02:00-06:00 and (time since use < 2 h for 1 h)", "drain to 20",
     True),
    ("an hour told by what was before only", "count charge in last 4 h < 1 in last 1 h",
     "drain to 50", "(during 02:00-06:00 or count charge in last 4 h >= 1) for 1 h", "drain to 20",
     True),
    ("a time until use that would stand still", "time until use <= 5 h for 1 h", "drain to 50",
     "time until use >= 5 h for 1 h", "drain to 20", False),
    ("one that may be put off", "time until use <= 5 h for 1 h", "drain to 50",
     "time until use >= 4 h for 1 h", "drain to 20", True),
    ("a use that is not planned stands still", "time until use > 90000 d for 1 h", "drain to 50",
     "time until use > 5 h for 1 h", "drain to 20", True),
    ("no whole number between", "count charge in last 7 d > 2", "drain to 50",
     "count charge in last 7 d < 3", "drain to 20", False),
    ("the lowest cell above the highest", "pack.cell.min > 4.1 V", "drain to 50",
     "pack.cell.max < 4 V", "drain to 20", False),
    ("the cells between", "pack.cell.min < 4.1 V", "drain to 50",
     "pack.cell.max > 4 V", "drain to 20", True),
    ("cells as far apart as they are", "pack.cell.min > 4 V and pack.cell.max < 4.05 V",
     "drain to 50", "pack.cell.spread > 60 mV", "drain to 20", False),
    ("six cells make a voltage", "pack.voltage < 21 V", "drain to 50",
     "pack.cell.min > 3.6 V", "drain to 20", False),
    ("six cells make another", "pack.voltage < 22 V", "drain to 50",
     "pack.cell.min > 3.6 V", "drain to 20", True),
    ("capacity is health", "pack.capacity < 8 Ah", "drain to 50", "pack.health > 60", "drain to 20",
     False),
    ("a little health", "pack.capacity < 8 Ah", "drain to 50", "pack.health > 40", "drain to 20",
     True),
    ("two signals, one above the other", "pack.temperature > site.temperature", "drain to 50",
     "pack.temperature < 10 °C and site.temperature > 20 °C", "drain to 20", False),
    ("two signals, close", "pack.temperature > site.temperature", "drain to 50",
     "pack.temperature < 10 °C and site.temperature > 2 °C", "drain to 20", True),
    ("rested longer than since the use", "pack.rested > 5 h", "drain to 50",
     "time since use < 4 h", "drain to 20", False),
    ("a switch", "site.smoke is on", "drain to 50", "site.smoke is off", "drain to 20", False),
    ("rest against a drain", "pack.temperature > 40 °C", "rest 2 h", "pack.soc > 90", "drain to 50",
     True),
    ("two rests", "pack.temperature > 40 °C", "rest 2 h", "pack.soc > 90", "rest 3 h", False),
    ("words only", "pack.temperature > 40 °C", 'notify "warm"', "pack.soc > 90", "drain to 50",
     False),
]  # fmt: skip


@pytest.mark.parametrize(("says", "one", "does", "other", "acts", "wanted"), TABLE,
                         ids=[row[0] for row in TABLE])  # fmt: skip
def test_rivals_and_their_witness(
    says: str, one: str, does: str, other: str, acts: str, wanted: bool
) -> None:
    plan = plan_of(f"rule a when {one}: {does}\nrule b when {other}: {acts}\n")
    proofs = proofs_of(f"rule a when {one}: {does}\nrule b when {other}: {acts}\n")
    assert not proofs.undecided
    assert bool(proofs.rivals) is wanted
    if wanted:
        (found,) = proofs.rivals
        stage = played(plan, found.witness)
        assert [stage.truth(rule) for rule in plan.rules] == [Truth.YES, Truth.YES], found
        assert set(stage.fired()) == {"a", "b"}


def test_over_either_way_settles_it() -> None:
    pair = "rule a{} when pack.soc > 90: drain to 80\nrule b{} when pack.soc > 85: drain to 50\n"
    assert codes(proofs_of(pair.format("", ""))) == ["rivals"]
    assert codes(proofs_of(pair.format(" over b", ""))) == []
    assert codes(proofs_of(pair.format("", " over a"))) == []


def test_over_counts_as_the_engine_counts_it() -> None:
    """`a over b over c` says nothing of a and c: the engine looks at direct words only."""
    three = (
        "rule a over b when pack.soc > 90: drain to 80\n"
        "rule b over c when pack.soc > 90: drain to 70\n"
        "rule c when pack.soc > 90: drain to 60\n"
    )
    (found,) = proofs_of(three).rivals
    assert (found.first.name, found.second.name) == ("a", "c")


SELECTED = [
    ("packs where chemistry is lipo", "packs where chemistry is li-ion", False),
    ("lipo packs", 'packs where tagged "smart"', True),
    ("packs where role is boat", "packs where role is handset", False),
    ("packs where role is boat", "packs where not role is boat", False),
    ("packs where cells = 4", "packs where cells > 4", False),
    ("packs where cells > 3 and cells < 5", "packs where cells = 4", True),
    ("packs where capacity > 2 Ah", "packs where capacity < 2 Ah", False),
    ("pack heron", "pack egret", False),
    ("pack heron", "packs where chemistry is lipo", True),
    ('packs where tagged "smart" or role is boat', 'packs where not tagged "smart"', True),
    ('packs where tagged "smart" and role is boat', 'packs where not tagged "smart"', False),
]
SITE = (
    HERON, pack("egret", tags=frozenset({"smart"}), role="boat"), pack("teal", role="handset"),
    pack("coot", role="boat", cells=4), pack("dipper", chemistry="li-ion", capacity_ah=1.0),
)  # fmt: skip


@pytest.mark.parametrize(("one", "other", "wanted"), SELECTED)
@pytest.mark.parametrize("packs", [None, SITE], ids=["any packs", "the site's packs"])
def test_rivals_need_a_pack_in_common(
    one: str, other: str, wanted: bool, packs: tuple[object, ...] | None
) -> None:
    rules = (
        f"rule a on {one} when pack.soc > 90: drain to 80\n"
        f"rule b on {other} when pack.soc > 85: drain to 50\n"
    )
    proofs = proofs_of(rules, packs)  # type: ignore[arg-type]
    assert bool(proofs.rivals) is wanted
    if wanted and packs is not None:
        (found,) = proofs.rivals
        plan = plan_of(rules)
        stage = played(plan, found.witness, SITE)
        assert [stage.truth(rule) for rule in plan.rules] == [Truth.YES, Truth.YES]


def test_a_rule_for_no_pack_of_the_site_is_left_alone() -> None:
    rules = "rule a on nimh packs when pack.soc > 90 and not pack.soc > 80: drain to 80\n"
    assert codes(proofs_of(rules, SITE)) == []
    assert codes(proofs_of(rules, None)) == ["never-fires"]


NEVER_FIRES = [
    "time until use = 5 h for 1 h",
    "not (pack.soc > 20 or pack.soc < 30)",
    "pack.soc > 90 for 24 h and not pack.soc > 85",
    "pack.soc > 90 for 24 h and pack.soc < 80 in last 12 h",
    "(pack.soc < 20 or pack.soc > 80) and pack.soc between 30 and 70",
    "during 08:00-09:00 for 2 h",
    "during 08:00-09:00 and during 22:00-06:00",
    "on sat and not on sat, sun",
    "on sun, mon for 49 h",
    "on sun, mon for 30 h and (on sun or during 00:00-05:00)",
    "time since use > 5 h for 5 h and time since use < 10 h",
    "count charge since charge >= 1",
    "pack.cell.min > pack.cell.max",
]
FIRES = [
    "not (pack.soc > 20 and pack.soc < 30)",
    "pack.soc > 90 for 24 h and not pack.soc > 95",
    "pack.soc > 90 for 12 h and pack.soc < 80 in last 24 h",
    "(pack.soc < 20 or pack.soc > 80) and pack.soc between 30 and 81",
    "during 08:00-09:00 for 59 min",
    "during 08:00-09:00 and during 22:00-08:30",
    "on sat for 23 h",
    "on sun, mon for 30 h",
    "(during 22:00-06:00 for 3 h) and on mon and during 00:00-02:00",
    "time since use > 5 h for 5 h and time since use < 11 h",
    "count charge since use >= 1",
    "pack.cell.min >= pack.cell.max",
]


@pytest.mark.parametrize("when", NEVER_FIRES)
def test_a_rule_that_never_fires(when: str) -> None:
    assert codes(proofs_of(f'rule a when {when}: notify "a"\n')) == ["never-fires"]


@pytest.mark.parametrize("when", FIRES)
def test_one_that_can(when: str) -> None:
    """And does: against a rule that is always true, so that there is a witness to play."""
    assert codes(proofs_of(f'rule a when {when}: notify "a"\n')) == []
    both = f"rule a when {when}: rest 1 h\nrule b when pack.soc > 1: drain to 0\n"
    plan = plan_of(both)
    (found,) = proofs_of(both).rivals
    stage = played(plan, found.witness)
    assert stage.truth(plan.rules[0]) is Truth.YES, found


ALWAYS = [
    "pack.temperature > 5 °C or pack.temperature < 45 °C",
    "not (pack.soc > 60 and not pack.soc > 40)",
    "pack.soc > 60 for 1 h or not pack.soc > 60 for 1 h",
    "(pack.soc > 20 or pack.soc < 30) for 5 h",
    "during 06:00-22:00 or during 22:00-06:00",
]


@pytest.mark.parametrize("when", ALWAYS)
def test_a_condition_that_is_always_true(when: str) -> None:
    assert codes(proofs_of(f'rule a when {when}: notify "a"\n')) == ["always-true"]
    assert codes(proofs_of(f"never charge when {when}\n")) == ["always-true"]


IDLE = [
    ("pack.soc > 90", "pack.soc > 80"),
    ("pack.soc > 90 for 1 h", "pack.soc >= 90"),
    ("pack.soc between 40 and 60", "pack.soc > 20 and pack.soc < 80"),
    ("pack.soc > 90 and pack.temperature > 30 °C", "pack.temperature > 20 °C or pack.soc < 10"),
]
HOLDS = [
    ("pack.soc > 90", "pack.soc < 80"),
    ("pack.soc > 90", "pack.soc > 95"),
    ("pack.soc > 90", "time since reminded > 1 d"),
    ("pack.soc > 90 for 1 h", "pack.temperature > 30 °C"),
]


@pytest.mark.parametrize(("when", "rearm"), [*IDLE, *HOLDS])
def test_a_rearm_that_is_true_wherever_the_condition_is(when: str, rearm: str) -> None:
    """Held back is nothing then, whatever its author meant; otherwise nothing is said."""
    text = f"rule a\n    when {when}:\n        mark reminded\n        rearm when {rearm}\n"
    proofs = proofs_of(text)
    assert codes(proofs) == (["idle-rearm"] if (when, rearm) in IDLE else [])
    for told in proofs.diagnostics():
        assert told.severity is Severity.WARNING
        assert "holds nothing back" in told.message
        assert told.mend is not None
        assert "say what must come about in between" in told.mend.say


def test_a_never_that_never_forbids() -> None:
    rules = "never charge when not (pack.temperature > 5 °C or pack.temperature < 45 °C)\n"
    assert codes(proofs_of(rules)) == ["never-forbids"]
    assert codes(proofs_of(rules.replace("or", "and"))) == []

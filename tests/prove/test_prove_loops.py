"""Ping-pong and gaps: loops that come back in the engine, and fields of the table that stay still.

A loop's states are shown one after the other, again and again: each rule must fire in its own, each
time round.
"""

from __future__ import annotations

import pytest
from prove_kit import HERON, SIGNALS, Stage, codes, pack, plan_of, proofs_of, rounds_of

from carerules.domain.condition import SignalValue, TimeUntilUse
from carerules.domain.moment import DAY, HOUR
from carerules.domain.quantity import CHARGE_LEVEL
from carerules.lang.prove import State, Witness, prove

SOC = SignalValue("pack.soc", CHARGE_LEVEL)
NONE, WARNS, TIGHT = "none", "warning", "error"

# What the row shows, the rules, and whether they go round.
TABLE = [
    ("drained to where it is charged", "rule a when pack.soc > 70: drain to 40\n"
     "rule b when pack.soc < 50: charge to 80\n", TIGHT),
    ("after some time", "rule a when pack.soc > 70 for 12 h: drain to 40\n"
     "rule b when pack.soc < 50 for 1 h: charge to 80\n", TIGHT),
    ("the ends lie apart", "rule a when pack.soc > 70: drain to 60\n"
     "rule b when pack.soc < 50: charge to 65\n", NONE),
    ("half way only", "rule a when pack.soc > 70: drain to 40\n"
     "rule b when pack.soc < 50: charge to 60\n", NONE),
    ("at the very limit", "rule a when pack.soc >= 80: drain to 50\n"
     "rule b when pack.soc <= 50: charge to 80\n", TIGHT),
    ("a use that cannot be near and far", "rule a when pack.soc > 70 and time until use > 10 d:"
     " drain to 40\nrule b when pack.soc < 50 and time until use < 2 d: charge to 80\n", NONE),
    ("a use that is both", "rule a when pack.soc > 70 and time until use > 1 d: drain to 40\n"
     "rule b when pack.soc < 50 and time until use < 2 d: charge to 80\n", TIGHT),
    ("by day and by night", "rule a when pack.soc > 70 and during 22:00-06:00: drain to 40\n"
     "rule b when pack.soc < 50 and during 08:00-20:00: charge to 80\n", WARNS),
    ("warm and cold", "rule a when pack.soc > 70 and pack.temperature > 30 °C: drain to 40\n"
     "rule b when pack.soc < 50 and pack.temperature < 20 °C: charge to 80\n", WARNS),
    ("healthy and worn", "rule a when pack.soc > 70 and pack.health > 90: drain to 40\n"
     "rule b when pack.soc < 50 and pack.health < 80: charge to 80\n", NONE),
    ("three in a ring", "rule a when pack.soc > 85: drain to 60\n"
     "rule b when pack.soc between 55 and 65: drain to 20\n"
     "rule c when pack.soc < 30: charge to 90\n", TIGHT),
    ("four in a ring", "rule a when pack.soc > 85: drain to 70\n"
     "rule b when pack.soc between 65 and 75: drain to 50\n"
     "rule c when pack.soc between 45 and 55: drain to 20\n"
     "rule d when pack.soc < 30: charge to 90\n", TIGHT),
    ("by itself", "rule a when pack.soc >= 95 for 1 h:\n    drain to 20\n    charge to 100\n",
     TIGHT),
    ("by itself, after a mark of its own", "rule a when count charge since calibration >= 20:\n"
     "    drain to 8\n    charge to 100\n    mark calibration\n", NONE),
    ("upkeep", "rule a when time since charge > 90 d:\n    drain to 30\n    charge to 60\n", NONE),
    ("never false in between, so it fires once", "rule a when time until use > 2 d: drain to 40\n"
     "rule b when pack.soc < 50: charge to 80\n", NONE),
    ("armed again only where it never comes", "rule a\n    when pack.soc > 70:\n"
     "        drain to 40\n        rearm when pack.soc < 20\n"
     "rule b when pack.soc < 50: charge to 80\n", NONE),
    ("armed again where it comes", "rule a\n    when pack.soc > 70:\n"
     "        drain to 40\n        rearm when pack.soc < 45\n"
     "rule b when pack.soc < 50: charge to 80\n", TIGHT),
    ("armed again at one level only, which no sample may show", "rule a when pack.soc != 40: drain"
     " to 20\nrule b when pack.soc < 30: charge to 45\n", NONE),
    ("armed again while it is warm", "rule a when not pack.soc between 40 and 60: drain to 40\n"
     "rule b when pack.soc between 40 and 60 or pack.temperature < 45 °C: charge to 80\n", TIGHT),
    ("a person has to agree", "rule a when pack.soc > 70: drain to 40\n"
     'rule b\n    when pack.soc < 50:\n        ask "charge?" within 2 h\n        charge to 80\n',
     WARNS),
    ("of other packs", "rule a on pack heron when pack.soc > 70: drain to 40\n"
     "rule b on pack egret when pack.soc < 50: charge to 80\n", NONE),
]  # fmt: skip
PACKS = (HERON, pack("egret"))


@pytest.mark.parametrize(("says", "rules", "wanted"), TABLE, ids=[row[0] for row in TABLE])
def test_loops_come_back(says: str, rules: str, wanted: str) -> None:
    plan = plan_of(rules)
    proofs = prove(plan, SIGNALS, PACKS)
    told = [one for one in proofs.diagnostics() if one.code == "ping-pong"]
    assert [one.severity.value for one in told] == ([] if wanted == NONE else [wanted])
    assert not proofs.undecided
    if wanted != NONE:
        (loop,) = proofs.loops
        assert rounds_of(plan, loop, PACKS) >= 3


def test_a_level_that_moves_when_the_rest_is_held_is_looked_at_again() -> None:
    """At 5 °C and more `b` fires at 40 % only, where `a` is still true: one of the two has to wait
    for another temperature."""
    rules = (
        "rule a when pack.soc between 40 and 60: drain to 40\n"
        "rule b when pack.temperature < 5 °C or pack.soc between 40 and 60: charge to 45\n"
    )
    (loop,) = proofs_of(rules).loops
    assert not loop.tight


def test_without_a_site_a_pack_of_both_kinds_may_not_exist() -> None:
    rules = (
        "rule a on packs where role is boat when pack.soc > 70: drain to 40\n"
        'rule b on packs where tagged "travel" when pack.soc < 50: charge to 80\n'
    )
    both = pack("egret", role="boat", tags=frozenset({"travel"}))
    for packs, wanted in ((None, [WARNS]), ((HERON,), []), ((HERON, both), [TIGHT])):
        told = [one for one in proofs_of(rules, packs).diagnostics() if one.code == "ping-pong"]
        assert [one.severity.value for one in told] == wanted


def test_a_loop_is_told_once_with_its_values() -> None:
    (found,) = proofs_of(TABLE[0][1]).diagnostics()
    assert found.message == "`a` makes `b` makes `a` fire, and so on without end"
    assert [note for note, _ in found.notes] == [
        "heron at pack.soc = 79.8 %: `a` fires: drain to 40 %",
        "heron at pack.soc = 39.8 %: `b` fires: charge to 80 %",
    ]


# ---- gaps ----------------------------------------------------------------------------------------

GAPS = [
    ("nothing at all", 'rule a when pack.soc < 20: notify "low"\n',
     [("from 95 % to 100 %", "any", (), ())]),
    ("a field of time",
     "rule a when pack.soc >= 95 for 24 h and time until use > 2 d: drain to 80\n",
     [("from 95 % to 100 %", "up to 48 h", (), ())]),
    ("a field of charge", "rule a when pack.soc > 97 for 24 h: drain to 80\n",
     [("from 95 % to 97 %", "any", (), ())]),
    ("covered by two", "rule a when pack.soc >= 95 and time until use > 2 d: drain to 80\n"
     "rule b when pack.soc >= 95 and time until use <= 2 d: drain to 90\n", []),
    ("sometimes", "rule a when pack.soc >= 95 and pack.temperature > 30 °C: drain to 80\n",
     [("from 95 % to 100 %", "any", ("a",), ())]),
    ("told only", 'rule a when pack.soc >= 95 for 9 d: chore "drain {pack}"\n',
     [("from 95 % to 100 %", "any", (), ("a",))]),
    ("drained, but not below full", "rule a when pack.soc >= 98: drain to 96\n",
     [("from 95 % to 100 %", "any", (), ())]),
]  # fmt: skip


@pytest.mark.parametrize(("says", "rules", "wanted"), GAPS, ids=[row[0] for row in GAPS])
def test_gaps(says: str, rules: str, wanted: list[tuple[object, ...]]) -> None:
    found = [(one.soc, one.until, one.partly, one.told) for one in proofs_of(rules).gaps]
    assert found == wanted


def test_gaps_by_kind_of_pack() -> None:
    rules = "rule a on pack heron when pack.soc >= 95 for 24 h: drain to 80\n"
    packs = (HERON, pack("egret"), pack("teal"))
    assert [one.packs for one in proofs_of(rules, packs).gaps] == ["egret, teal"]


def test_in_a_gap_nothing_drains_and_beside_it_something_does() -> None:
    rules = "rule a when pack.soc >= 96 for 24 h and time until use > 2 d: drain to 80\n"
    assert [one.soc for one in proofs_of(rules).gaps] == [
        "from 95 % to below 96 %", "from 96 % to 100 %",
    ]  # fmt: skip
    for soc, until, drains in (
        (95.0, 3 * DAY, False),
        (97.0, 2 * DAY, False),
        (96.0, 3 * DAY, True),
    ):
        stage = Stage(plan_of(rules), (HERON,), "heron")
        stage.hold(Witness("heron", State(((SOC, soc), (TimeUntilUse(), until)))), wait=25 * HOUR)
        assert stage.switched_on() is drains


def test_codes_of_nothing_wrong() -> None:
    assert codes(proofs_of("rule a when pack.soc > 90 for 24 h: drain to 60\n")) == []

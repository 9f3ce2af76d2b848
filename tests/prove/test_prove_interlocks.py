"""Interlock proofs: each action against each `never`, and each witness against the real interlock.

What is said to keep an action from starting is played until the rule fires: then the interlock must
veto it for that `never`. What may step in later is shown to a job that runs already.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from prove_kit import HERON, SIGNALS, Stage, codes, pack, plan_of, played, proofs_of

from carerules.domain.condition import SignalValue
from carerules.domain.moment import HOUR, MINUTE, SECOND
from carerules.domain.quantity import CHARGE_LEVEL, TEMPERATURE
from carerules.lang.prove import Meeting, State, Witness, prove

SOC = SignalValue("pack.soc", CHARGE_LEVEL)
WARMTH = SignalValue("pack.temperature", TEMPERATURE)
APART, LATER, AT_START, ALWAYS = Meeting.APART, Meeting.LATER, Meeting.AT_START, Meeting.ALWAYS

# What the row shows; the `never`, the rule, and how they stand to one another.
TABLE = [
    ("it ends above", "never drain when pack.soc < 20", "when pack.soc > 90: drain to 50", APART),
    ("it ends at the limit", "never drain when pack.soc < 50", "when pack.soc > 90: drain to 50",
     APART),
    ("it passes the limit", "never drain when pack.soc < 51", "when pack.soc > 90: drain to 50",
     LATER),
    ("it starts below", "never drain when pack.soc > 95",
     "when pack.soc between 60 and 90: drain to 50", APART),
    ("it may start above", "never drain when pack.soc > 95", "when pack.soc > 90: drain to 50",
     AT_START),
    ("it always starts above", "never drain when pack.soc > 80", "when pack.soc > 90: drain to 50",
     ALWAYS),
    ("something else", "never drain when pack.temperature > 40 °C",
     "when pack.soc > 90: drain to 50", AT_START),
    ("the rule leaves it out at first", "never drain when pack.temperature > 40 °C",
     "when pack.soc > 90 and pack.temperature < 30 °C: drain to 50", LATER),
    ("the rule asks for it", "never drain when pack.temperature > 40 °C",
     "when pack.soc > 90 and pack.temperature > 45 °C: drain to 50", ALWAYS),
    ("health stays", "never drain when pack.health < 50",
     "when pack.soc > 90 and pack.health > 60: drain to 50", APART),
    ("an age grows", "never drain when pack.age > 700 d",
     "when pack.soc > 90 and pack.age < 600 d: drain to 50", LATER),
    ("and does not shrink", "never drain when pack.age < 500 d",
     "when pack.soc > 90 and pack.age > 600 d: drain to 50", APART),
    ("at another time of day", "never drain when during 08:00-18:00",
     "when pack.soc > 90: drain to 50 during 22:00-06:00", APART),
    ("at the same time of day", "never drain when during 05:00-18:00",
     "when pack.soc > 90: drain to 50 during 22:00-06:00", AT_START),
    ("a charge that starts above", "never charge when pack.soc < 10",
     "when pack.soc between 20 and 50: charge to 80", APART),
    ("a charge that may start below", "never charge when pack.soc < 10",
     "when pack.soc < 50: charge to 80", AT_START),
    ("a charge that goes past", "never charge when pack.soc > 70",
     "when pack.soc < 50: charge to 80", LATER),
    ("for so long", "never drain when pack.temperature > 40 °C for 5 min",
     "when pack.soc > 90 and pack.temperature < 30 °C: drain to 50", LATER),
    ("cells", "never drain when pack.cell.min <= 3.4 V", "when pack.soc > 90: drain to 50",
     AT_START),
]  # fmt: skip


@pytest.mark.parametrize(("says", "never", "rule", "wanted"), TABLE, ids=[r[0] for r in TABLE])
def test_each_action_against_each_never(
    says: str, never: str, rule: str, wanted: Meeting
) -> None:  # fmt: skip
    plan = plan_of(f"{never}\n{rule}\n")
    proofs = prove(plan, SIGNALS, (HERON,))
    (found,) = proofs.interlocks
    assert found.meeting is wanted
    assert ("always-vetoed" in codes(proofs)) is (wanted is ALWAYS)
    assert (found.witness is None) is (wanted is APART)
    if wanted in (AT_START, ALWAYS):
        assert found.witness is not None
        stage = played(plan, found.witness)
        assert [one.interlock for one in stage.vetoes()] == ["never"], found.witness
        assert not stage.switched_on()
    elif wanted is LATER:
        assert found.witness is not None
        stage = begun(plan)
        assert stage.switched_on()
        assert not stage.vetoes()
        end = stage.now + 80 * MINUTE  # the `never` looks back on less
        while stage.now < end and not stage.vetoes():
            stage.look(found.witness.state, stage.now + 10 * SECOND, end)
        assert "never" in [one.interlock for one in stage.vetoes()], found.witness


def begun(plan: object) -> Stage:
    """A stage on which the rule's job has begun, in some state in which nothing forbids it."""
    for soc in (95.0, 40.0):
        stage = Stage(plan, (HERON,), "heron")  # type: ignore[arg-type]
        for _ in range(3):
            at = stage.now + 10 * SECOND
            stage.look(State(((SOC, soc), (WARMTH, 20.0))), at, at)
        if stage.switched_on():
            return stage
    raise AssertionError("the rule's job never begins")


def test_what_comes_first_frees_a_later_line() -> None:
    """Once asked, the job goes on whatever the rule's condition does; the charge may be any."""
    rules = (
        "never drain when pack.soc > 95\n"
        "when pack.soc between 60 and 90:\n"
        '    ask "drain {pack}?" within 2 h\n'
        "    drain to 50\n"
    )
    (found,) = proofs_of(rules).interlocks
    assert found.meeting is AT_START
    assert found.line == 1


def test_a_stop_of_its_own_keeps_it_apart() -> None:
    rules = (
        "never drain when pack.temperature > 40 °C\n"
        "when pack.soc > 90:\n"
        "    drain to 50\n"
        "    stop when pack.temperature > 35 °C\n"
    )
    assert [one.meeting for one in proofs_of(rules).interlocks] == [APART]
    assert [one.meeting for one in proofs_of(rules.replace("35", "45")).interlocks] == [AT_START]


def test_each_leaves_a_way_and_both_leave_none() -> None:
    rules = (
        "never charge when pack.temperature < 20 °C\n"
        "never charge when pack.temperature >= 20 °C\n"
        "when pack.soc < 20: charge to 50\n"
    )
    proofs = proofs_of(rules)
    assert [one.meeting for one in proofs.interlocks] == [AT_START, AT_START, ALWAYS]
    assert codes(proofs) == ["always-vetoed"]
    stage = played(rules, proofs.interlocks[-1].witness)  # type: ignore[arg-type]
    for degrees in (-10.0, 19.9, 20.0, 40.0):
        at = stage.now + MINUTE
        stage.look(State(((SOC, 10.0), (WARMTH, degrees))), at, at)
    assert not stage.switched_on()
    # A degree between them, and it starts.
    free = played(rules.replace(">= 20", ">= 21"), Witness("heron", State(((SOC, 10.0),))))
    at = free.now + MINUTE
    free.look(State(((SOC, 10.0), (WARMTH, 20.5))), at, at)
    assert free.switched_on()


def test_a_never_of_other_packs_and_of_another_action() -> None:
    rules = (
        "never drain on pack egret when pack.soc > 80\n"
        "never charge when pack.soc > 80\n"
        "rule a on pack heron when pack.soc > 90: drain to 50\n"
    )
    assert proofs_of(rules, (HERON, pack("egret"))).interlocks == ()


def test_a_never_that_holds_for_some_of_the_packs_only() -> None:
    rules = "never drain on pack egret when pack.soc > 80\nwhen pack.soc > 90: drain to 50\n"
    packs = (HERON, pack("egret"))
    (found,) = proofs_of(rules, packs).interlocks
    assert found.meeting is AT_START  # heron is free to go
    assert found.witness is not None
    assert found.witness.pack == "egret"
    assert [v.interlock for v in played(rules, found.witness, packs).vetoes()] == ["never"]
    only = rules.replace("when pack.soc > 90", "rule a on pack egret when pack.soc > 90")
    assert [one.meeting for one in proofs_of(only, packs).interlocks] == [ALWAYS]


def test_the_table_names_the_model_and_each_verdict() -> None:
    rules = (
        "never drain when pack.soc < 20\nnever drain when pack.temperature > 40 °C\n"
        "rule a when pack.soc > 90: drain to 50\n"
    )
    told = proofs_of(rules).table()
    assert "never drain when pack.soc < 20 %: proved apart" in told
    assert "heron at pack.soc = 91 %, pack.temperature = 41 °C" in told
    assert "the proofs hold as far as this does" in told


def test_switching_a_load_on_is_draining() -> None:
    plan = plan_of("never drain when pack.soc < 20\nrule a when pack.soc > 10: drain to 5\n")
    from carerules.domain.action import Switch
    from carerules.domain.pack import Side

    rule = replace(plan.rules[0], actions=(Switch(Side.LOAD, HOUR),))
    (found,) = prove(replace(plan, rules=(rule,)), SIGNALS, (HERON,)).interlocks
    assert found.meeting is AT_START

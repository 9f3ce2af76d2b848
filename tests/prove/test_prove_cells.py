"""Proofs over cell voltage: what the rest curve says, what the model leaves open, what is real.

The curve is the shipped one of lithium polymer: the mean of Ai et al. 2020 (10.1149/2.0122001JES)
and Ramadass et al. 2004 (10.1149/1.1634273), computed from their parameter sets.
"""

from __future__ import annotations

from itertools import pairwise

import pytest
from prove_kit import CHEMISTRIES, HERON, SIGNALS, codes, pack, plan_of, played

from carerules.lang.prove import CellModel, Meeting, prove

LIPO = CHEMISTRIES["lipo"]
MODEL = CellModel(
    tuple(100 * fraction for fraction in LIPO.fractions), LIPO.volts,
    tuple(2 * spread for spread in LIPO.spreads),
)  # fmt: skip
FLOOR = "never drain when pack.cell.min <= 3.4 V\n"


@pytest.mark.parametrize(
    ("rule", "wanted"),
    [
        # 45 % less 12 points of curve and 5 of cell is 28 %: 3.735 V, and 0.1 V of sag: 3.635 V.
        ("when pack.soc > 60: drain to 45", Meeting.APART),
        ("when pack.soc > 60: drain to 30", Meeting.APART),
        # 8 % less 6 and 5 is below empty.
        ("when pack.soc > 60: drain to 8", Meeting.LATER),
        ("when pack.soc > 5: drain to 4", Meeting.AT_START),
    ],
)
def test_a_floor_of_cells_against_a_drain(rule: str, wanted: Meeting) -> None:
    plan = plan_of(FLOOR + rule + "\n")
    (found,) = prove(plan, SIGNALS, (HERON,), {"heron": MODEL}).interlocks
    assert found.meeting is wanted
    assert found.by_cells
    (bare,) = prove(plan, SIGNALS, (HERON,)).interlocks
    assert bare.meeting is Meeting.AT_START  # without a model any voltage may be at any charge
    assert not bare.by_cells
    if wanted is Meeting.AT_START:
        assert found.witness is not None
        assert [v.interlock for v in played(plan, found.witness).vetoes()] == ["never"]


def test_the_least_voltage_of_a_stretch_of_charge() -> None:
    """By hand from the table: at 50 % a doubt of 12 points and 5 more leave 33 to 67 %."""
    low, high = MODEL.reach(50, 50)
    assert low == pytest.approx(3.7427 + 0.6 * (3.7590 - 3.7427) - 0.1, abs=1e-6)
    assert high == pytest.approx(3.8842 + 0.4 * (3.9196 - 3.8842) + 0.1, abs=1e-6)


def test_the_reach_holds_every_charge_inside() -> None:
    for low, high in pairwise(range(0, 101, 10)):
        least, most = MODEL.reach(low, high)
        for step in range(101):
            charge = low + (high - low) * step / 100
            one_low, one_high = MODEL.reach(charge, charge)
            assert least <= one_low + 1e-9
            assert one_high <= most + 1e-9


def test_a_pack_without_a_model_is_left_open() -> None:
    plan = plan_of(FLOOR + "when pack.soc > 60: drain to 45\n")
    packs = (HERON, pack("egret"))
    (found,) = prove(plan, SIGNALS, packs, {"heron": MODEL}).interlocks
    assert found.meeting is Meeting.AT_START
    assert found.witness is not None
    assert found.witness.pack == "egret"


def test_the_voltage_of_the_whole_pack_is_bounded_too() -> None:
    plan = plan_of("never drain when pack.voltage < 20.4 V\nwhen pack.soc > 60: drain to 45\n")
    (found,) = prove(plan, SIGNALS, (HERON,), {"heron": MODEL}).interlocks
    assert found.meeting is Meeting.APART


def test_the_model_has_no_say_in_whether_a_rule_fires() -> None:
    """A full pack with a low cell is what such a rule is there to find."""
    plan = plan_of('rule weak when pack.soc > 80 and pack.cell.min < 3.4 V: notify "weak"\n')
    assert codes(prove(plan, SIGNALS, (HERON,), {"heron": MODEL})) == []


def test_the_table_says_the_model() -> None:
    plan = plan_of(FLOOR + "when pack.soc > 60: drain to 45\n")
    told = prove(plan, SIGNALS, (HERON,), {"heron": MODEL}).table()
    assert "never drain when pack.cell.min <= 3.4 V: proved apart, by the cells' model" in told
    assert "within 4 to 12 points of charge, lie at most 5 points from the pack, and 100 mV" in told

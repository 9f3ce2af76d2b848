"""A voltage of the whole pack that fits no pack of its cells.

A lithium polymer cell is full at 4.2 V and is not run below 3 V: common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from prove_kit import CHEMISTRIES, HERON, SIGNALS, codes, plan_of

from carerules.domain.diagnostic import Severity
from carerules.lang.prove import CellModel, Proofs, prove

LIPO = CHEMISTRIES["lipo"]
MODEL = CellModel(tuple(100 * part for part in LIPO.fractions), LIPO.volts, LIPO.spreads)
SIX = HERON
THREE = replace(HERON, name="coot", cells=3)
ONE = replace(HERON, name="wren", cells=1)


def proved(when: str, *packs: object) -> Proofs:
    plan = plan_of(f'rule asked on lipo packs when {when}: notify "so"\n')
    return prove(plan, SIGNALS, packs, {one.name: MODEL for one in packs})  # type: ignore[attr-defined, arg-type]


@pytest.mark.parametrize(
    ("when", "a_cell"),
    [
        ("pack.voltage > 4.2 V", "0.7 V"),
        ("pack.voltage < 3.3 V for 1 h", "0.55 V"),
        ("pack.voltage between 3.7 V and 24 V", "0.62 V"),
        ("pack.soc > 90 and not pack.voltage < 4.1 V", "0.68 V"),
        ("max of pack.voltage over 1 h > 28 V", "4.67 V"),
        ("pack.voltage rises above 4.2 V", "0.7 V"),
    ],
)
def test_a_cells_voltage_asked_of_six(when: str, a_cell: str) -> None:
    (told,) = proved(when, SIX).diagnostics()
    assert told.code == "pack-voltage"
    assert told.severity is Severity.WARNING
    assert f"a lipo pack of 6 cells, such as heron, would have {a_cell} a cell" in told.message


@pytest.mark.parametrize(
    ("when", "packs"),
    [
        ("pack.voltage > 25.2 V", (SIX,)),
        ("pack.voltage < 19.2 V for 1 h", (SIX,)),
        ("pack.voltage > 4.2 V", (ONE,)),
        ("pack.voltage < 1 V for 1 min", (SIX,)),  # whether it is connected at all
        ("pack.cell.max > 4.2 V", (SIX,)),
        ("slope of pack.voltage over 1 h > 0.1 V/h", (SIX,)),
        ("pack.soc > 95", (SIX,)),
    ],
)
def test_nothing_is_said_of_what_fits(when: str, packs: tuple[object, ...]) -> None:
    assert codes(proved(when, *packs)) == []


@pytest.mark.parametrize(("volts", "pack", "a_cell"), [(10.5, "heron", 1.75), (25, "coot", 8.33)])
def test_a_voltage_that_fits_the_one_pack_and_not_the_other(
    volts: float, pack: str, a_cell: float
) -> None:
    (told,) = proved(f"pack.voltage < {volts} V", SIX, THREE).diagnostics()
    assert f"such as {pack}, would have {a_cell} V a cell" in told.message


def test_a_never_is_told_and_a_file_without_a_site_is_not() -> None:
    plan = plan_of("never charge when pack.voltage > 4.25 V\n")
    (told,) = prove(plan, SIGNALS, (SIX,), {"heron": MODEL}).diagnostics()
    assert told.message.startswith("`never charge when pack.voltage > 4.25 V` compares")
    assert codes(prove(plan, SIGNALS)) == []
    assert codes(prove(plan, SIGNALS, (SIX,))) == []  # of whose chemistry nothing is known

"""A pack whose voltage a person has typed in at a blind station: one reading, and no watch."""

from __future__ import annotations

from dataclasses import replace

import pytest
from benchkit import NOW, STATION, Case, draining, known, on

from carerules.domain.decision import Veto
from carerules.domain.event import A_PERSON
from carerules.domain.moment import MINUTE
from carerules.domain.quantity import Known

BLIND = replace(STATION, blind=True)
FROM_PACK = "pack voltage"


def unread(soc: float = 80.0) -> Case:
    case = draining().reading("pack.cell.min", None).reading("pack.soc", known(soc, 2.0))
    return case.but(station=BLIND, target=soc - 5)


def told(who: str, *, lowest: str = FROM_PACK, cell_v: float = 3.9, apart: int = 0) -> Case:
    """Ten seconds ago, the lowest cell by whom and the pack's voltage so long before it."""
    at = NOW - 10_000
    case = unread().reading("pack.cell.min", Known(cell_v, 0.003, at, lowest))
    case = case.reading("pack.voltage", Known(6 * cell_v, 0.02, at - apart, who))
    return case.reading("pack.current", None)


@pytest.mark.parametrize(
    ("case", "wanted"),
    [
        (told(A_PERSON), ""),
        (told(A_PERSON).but(drawn=30.1), "floor"),
        (told("kit").but(drawn=30.1), ""),
        (told(A_PERSON, lowest=A_PERSON).but(drawn=30.1), "floor"),
        (told("kit", lowest=A_PERSON).but(drawn=30.1), "floor"),
        (told(A_PERSON, lowest="kit").but(drawn=30.1), "floor"),
        (told(A_PERSON, lowest="kit", apart=MINUTE).but(drawn=30.1), ""),
        (told(A_PERSON).but(drawn=30.1, station=STATION), ""),
        (told(A_PERSON, cell_v=3.4), "floor"),
        (told("kit", cell_v=3.4), "floor"),
        (told(A_PERSON).reading("pack.soc", None), "floor"),
        (told("kit").reading("pack.soc", None), ""),
        (told(A_PERSON).plug("load", on(power_heard=NOW - MINUTE - 1)), "floor"),
    ],
)
def test_what_a_person_typed_in_a_moment_ago_lets_nothing_by(case: Case, wanted: str) -> None:
    assert case.interlock() == wanted


@pytest.mark.parametrize(
    ("most", "floor", "wanted"),
    [(30.1, 0.0, ""), (30.0, 0.0, "floor"), (45.1, 45.0, ""), (45.0, 45.0, "floor")],
)
def test_what_has_left_it_since_its_charge_leaves_as_much_as_the_floor(
    most: float, floor: float, wanted: str
) -> None:
    """Whatever is read of it meanwhile; where its voltage is seen, that is the word."""
    for case in (unread(), told(A_PERSON)):
        verdict = case.but(charge_most=most, floor_charge=floor).verdict()
        assert getattr(verdict, "interlock", "") == wanted
        if isinstance(verdict, Veto):
            assert not verdict.final
            assert verdict.found == f"{100 - most:.0f} points have left heron since it was charged"
            assert verdict.mend == (
                "if it was charged since: `carerules record heron charged`, then its voltage"
            )
    assert not told("kit").but(charge_most=most, floor_charge=floor).interlock()

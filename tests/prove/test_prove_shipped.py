"""The ready-made rules and the example site, proved as they stand."""

from __future__ import annotations

from pathlib import Path

import pytest
from prove_kit import CHEMISTRIES, HERON, SIGNALS, codes, pack

from carerules.config import SiteFile, read_site
from carerules.domain.pack import Pack
from carerules.domain.plan import Plan
from carerules.domain.signal import catalogue
from carerules.lang import load
from carerules.lang.prove import CellModel, Meeting, prove
from carerules.service.rules import read_rules

ROOT = Path(__file__).parents[2]
LIPO = (ROOT / "rules" / "lipo.care").read_text("utf-8")
SITE = ("site.toml", "site-mqtt.toml")


def lipo() -> Plan:
    loaded = load({"lipo.care": LIPO}, catalogue=SIGNALS)
    assert loaded.plan is not None, [one.message for one in loaded.diagnostics]
    return loaded.plan


def cells_of(packs: tuple[Pack, ...]) -> dict[str, CellModel]:
    found = {}
    for one in packs:
        chemistry = CHEMISTRIES[one.chemistry]
        charge = tuple(100 * fraction for fraction in chemistry.fractions)
        doubt = tuple(2 * spread for spread in chemistry.spreads)
        found[one.name] = CellModel(charge, chemistry.volts, doubt, source=chemistry.name)
    return found


PACKS = (
    HERON, pack("egret", tags=frozenset({"smart"}), role="boat"), pack("teal", role="handset"),
    pack("coot", role="handset", tags=frozenset({"smart"})),
)  # fmt: skip


@pytest.mark.parametrize("packs", [None, PACKS], ids=["any packs", "some packs"])
def test_nothing_is_wrong_with_the_ready_made_rules(packs: tuple[Pack, ...] | None) -> None:
    assert codes(prove(lipo(), SIGNALS, packs)) == []


@pytest.mark.parametrize("name", SITE)
def test_nothing_is_wrong_with_the_example(name: str) -> None:
    site = read_site(ROOT / "examples" / "river-survey" / name)
    assert isinstance(site, SiteFile)
    rules = read_rules(site)
    assert rules.loaded.plan is not None
    packs = tuple(site.site.packs.values())
    proofs = prove(rules.loaded.plan, catalogue(site.signals), packs, site.cells)
    assert codes(proofs) == []
    assert len(proofs.interlocks) > 10
    assert any(one.by_cells for one in proofs.interlocks)


def test_every_drain_but_the_calibration_ends_above_the_floor() -> None:
    proofs = prove(lipo(), SIGNALS, PACKS, cells_of(PACKS))
    floor = {
        one.rule.name: one.meeting for one in proofs.interlocks
        if one.never is not None and one.never.action == "drain" and one.by_cells
    }  # fmt: skip
    assert floor.pop("lipo-calibrate") is not Meeting.APART
    assert set(floor.values()) == {Meeting.APART}
    assert len(floor) >= 4


def test_without_over_there_would_be_rivals() -> None:
    """The rules above can fail."""
    loaded = load({"lipo.care": LIPO.replace("over lipo-full-too-long", "")}, catalogue=SIGNALS)
    assert loaded.plan is not None
    named = {
        frozenset({one.first.name, one.second.name})
        for one in prove(loaded.plan, SIGNALS, PACKS).rivals
    }
    assert frozenset({"lipo-use-next-week", "lipo-full-too-long"}) in named
    assert frozenset({"lipo-stored", "lipo-full-too-long"}) in named

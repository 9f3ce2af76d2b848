"""What flies: the tables of `travel` against watt-hours worked out here.

100 and 160 Wh, and 30 % for cargo: IATA Dangerous Goods Regulations (Packing Instruction 965, and
the provisions for passengers), as published; read second hand. Nominal voltages: common practice,
no source.
"""

import pytest
from rules_kit import CATALOGUE, CHEMISTRIES, failed, loaded, plan_of, read

from carerules.domain.action import Charge, Drain
from carerules.domain.condition import Compare, walk
from carerules.domain.pack import Limits, Pack
from carerules.domain.quantity import Quantity
from carerules.domain.selector import selects
from carerules.sim.verdict import play

NOMINAL_V = {"lipo": 3.7, "li-ion": 3.7, "lipo-high-voltage": 3.8, "lifepo4": 3.2}
GROUP = {"lipo": "ordinary", "li-ion": "ordinary", "lipo-high-voltage": "high", "lifepo4": "iron"}
PLAN = plan_of(loaded("travel"))
RULES = {rule.name: rule for rule in PLAN.rules}
LIMITS = Limits(3.0, 4.2, 2.5, -10, 60, 0, 45)


def _told(pack: Pack) -> set[str]:
    """Which of the rules by watt-hours take the pack in."""
    by_energy = [rule for name, rule in RULES.items() if name.endswith(("-middle", "-large"))]
    return {rule.name for rule in by_energy if selects(rule.selector, pack)}


@pytest.mark.parametrize("chemistry", NOMINAL_V)
def test_each_pack_stands_in_the_row_of_its_watt_hours(chemistry: str) -> None:
    rows = {"": 0, "middle": 0, "large": 0}
    for cells in range(1, 13):
        per_ah = cells * NOMINAL_V[chemistry]
        edges = {
            round(100 * energy_wh / per_ah) + by for energy_wh in (100, 160) for by in range(-9, 10)
        }
        for hundredths in sorted({*range(10, 6_000, 50), *edges}):
            capacity_ah = hundredths / 100
            energy_wh = per_ah * capacity_ah
            row = "large" if energy_wh > 160.001 else "middle" if energy_wh > 100.001 else ""
            pack = Pack("heron", chemistry, cells, capacity_ah, LIMITS, tags=frozenset({"travel"}))
            wanted = {f"travel-{GROUP[chemistry]}-{row}"} if row else set()
            assert _told(pack) == wanted, (cells, capacity_ah, energy_wh)
            rows[row] += 1
    assert all(count > 100 for count in rows.values())


def test_only_tagged_packs_are_meant_and_long_ones_are_worked_out_by_hand() -> None:
    plain = Pack("heron", "lipo", 6, 16.0, LIMITS)
    assert not any(selects(rule.selector, plain) for rule in PLAN.rules)
    for cells, by_hand in ((12, False), (13, True), (24, True)):
        pack = Pack("heron", "lipo", cells, 0.5, LIMITS, tags=frozenset({"travel"}))
        assert selects(RULES["travel-many-cells"].selector, pack) is by_hand


def test_cargo_flies_at_most_thirty_percent_charged() -> None:
    down = RULES["travel-down"]
    (limit,) = [
        part.right.value for part in walk(down.when)
        if isinstance(part, Compare) and isinstance(part.right, Quantity)
    ]  # fmt: skip
    assert limit == 30.0
    (drain,) = down.actions
    assert isinstance(drain, Drain)
    # Counted charge is doubtful by about five points in the middle (the lipo curve's own spread).
    assert drain.target <= limit - 5
    assert not any(isinstance(action, Charge) for rule in PLAN.rules for action in rule.actions)


BESIDE_OTHERS = """
use "travel"
rule own when pack.soc < 30 % for 1 h: charge to 40 %

scenario "rules of one's own would fill it again before it flies"
    given pack heron capacity 60 Ah tagged "travel" at {soc} % since Fri 08:00
    given somebody present
    at Fri 09:01: expect heron {first}
    at Fri 12:00: expect {later}
"""


@pytest.mark.parametrize(
    ("soc", "refused"),
    [(25, True), (15, True), (14.5, True), (13.2, False), (10, False)],
)
def test_a_tagged_pack_is_not_charged_above_fifteen_percent(soc: float, refused: bool) -> None:
    """A charge said by a scenario is taken to be exact to half a point, so that 14.5 may be 15.5.
    What was let begin further below is stopped when it gets there."""
    first = "charge refused" if refused else "charge to 40 %"
    later = "nothing" if refused else "heron charge refused"
    got = read(BESIDE_OTHERS.format(soc=soc, first=first, later=later))
    verdict = play(got.scenarios[-1], plan_of(got), CATALOGUE, CHEMISTRIES)
    assert verdict.ok, failed(verdict)
    assert verdict.scenario.name.startswith("rules of one's own")

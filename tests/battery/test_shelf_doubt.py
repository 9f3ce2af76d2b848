"""The doubt of a pack that lies unread: it grows by itself, and never claims too little.

How much cells lose by themselves is from memory, in each chemistry's file with its source: 1 to 3 %
a month for lithium cells; 20 to 30 % for plain nickel-metal hydride, and a tenth of it for the kind
that loses little. Whatever of that a pack does, it lies within two spreads of what is told of it.
"""

from __future__ import annotations

from dataclasses import replace
from math import hypot

import pytest
from benchpack import CHEMISTRIES, START

from carerules.battery import fresh, take_event, take_time
from carerules.battery.charge import SPREAD_MAX
from carerules.battery.estimate import FULL_SPREAD
from carerules.battery.shelf import OWN_CIRCUIT, shelved
from carerules.domain.moment import DAY, HOUR, MINUTE, MONTH
from carerules.domain.pack import Pack
from carerules.domain.quantity import Known

LITHIUM = sorted(CHEMISTRIES.keys() - {"nimh"})
FIGURES = [*[(name, loss) for name in LITHIUM for loss in (1.0, 3.0)],
           ("nimh", 20.0), ("nimh", 30.0)]  # fmt: skip


def pack_of(chemistry: str, **said: object) -> Pack:
    pack = Pack("heron", chemistry, 6, 16.0, CHEMISTRIES[chemistry].limits)
    return replace(pack, **said)  # type: ignore[arg-type]


def said_full(chemistry: str) -> Known:
    pack = pack_of(chemistry)
    soc = take_event(fresh(pack), pack, CHEMISTRIES[chemistry], "full", START).readings["pack.soc"]
    assert isinstance(soc, Known)
    return soc


@pytest.mark.parametrize("months", [1, 2, 3, 6, 12])
@pytest.mark.parametrize(("chemistry", "loss"), FIGURES)
def test_what_a_cell_may_have_lost_lies_within_two_spreads(
    chemistry: str, loss: float, months: int
) -> None:
    soc, at = said_full(chemistry), START + months * MONTH
    truth = 100 * (1 - loss / 100) ** months  # of what is left, each month
    assert abs(truth - soc.shown_at(at)) <= 2 * soc.spread_at(at)


@pytest.mark.parametrize(("months", "within"), [(1, True), (3, True), (4, False)])
def test_nickel_cells_that_lose_little_are_told_too_empty_after_three_months(
    months: int, within: bool
) -> None:
    """The file speaks of the plain kind; the page on trust says so, and this is how far it goes."""
    soc, at = said_full("nimh"), START + months * MONTH
    truth = 100 * (1 - 2.0 / 100) ** months
    assert (truth - soc.shown_at(at) <= 2 * soc.spread_at(at)) is within


@pytest.mark.parametrize("chemistry", sorted(CHEMISTRIES))
@pytest.mark.parametrize("after", [0, MINUTE, DAY, MONTH, 7 * MONTH, 60 * MONTH])
def test_it_says_unread_what_the_next_word_will_say(chemistry: str, after: int) -> None:
    """So no rule, page or interlock sees the doubt jump only because somebody spoke."""
    pack, kind = pack_of(chemistry), CHEMISTRIES[chemistry]
    estimate = take_event(fresh(pack), pack, kind, "full", START)
    soc = estimate.readings["pack.soc"]
    then = take_time(estimate, pack, kind, START + after).track.spread(kind)
    assert isinstance(soc, Known)
    assert soc.spread_at(START + after) == pytest.approx(then, rel=1e-12)


def test_so_much_it_comes_to() -> None:
    """Two points a month for lithium, twenty for nickel-metal hydride, beside the first doubt."""
    lithium, nickel = said_full("lipo"), said_full("nimh")
    assert lithium.spread == nickel.spread == FULL_SPREAD
    assert lithium.spread_at(START + MONTH) == pytest.approx(hypot(2, 2))
    assert lithium.spread_at(START + 6 * MONTH) == pytest.approx(hypot(2, 12))
    assert nickel.spread_at(START + MONTH) == pytest.approx(hypot(2, 20))
    assert nickel.spread_at(START + 2 * MONTH) == SPREAD_MAX


def test_it_never_shrinks_and_ends_at_nothing_known() -> None:
    for chemistry in CHEMISTRIES:
        soc = said_full(chemistry)
        told = [soc.spread_at(START + days * DAY) for days in range(-3, 3_000, 3)]
        assert told == sorted(told)
        assert told[0] == soc.spread
        assert told[-1] == SPREAD_MAX


def test_a_word_on_the_way_makes_no_difference_to_what_is_said_later() -> None:
    pack, kind = pack_of("lipo"), CHEMISTRIES["lipo"]
    once = often = take_event(fresh(pack), pack, kind, "full", START)
    for hours in (1, 2, 30, 31, 700, 2_000):
        often = take_time(often, pack, kind, START + hours * HOUR)
    one, many = once.readings["pack.soc"], often.readings["pack.soc"]
    assert isinstance(one, Known)
    assert isinstance(many, Known)
    assert many.at > one.at
    assert many.spread_at(START + 9 * MONTH) == pytest.approx(one.spread_at(START + 9 * MONTH))


@pytest.mark.parametrize("loss", [0.0, 1e-300, 1e-7])
def test_cells_that_lose_nothing_by_themselves_are_doubted_no_more(loss: float) -> None:
    pack, kind = pack_of("lipo"), replace(CHEMISTRIES["lipo"], self_discharge_pct_month=loss)
    soc = take_event(fresh(pack), pack, kind, "full", START).readings["pack.soc"]
    assert isinstance(soc, Known)
    assert soc.widens is None
    assert soc.spread_at(START + 60 * MONTH) == soc.spread


def test_a_pack_with_a_circuit_of_its_own_too() -> None:
    pack, kind = pack_of("lipo", discharges_after=DAY), CHEMISTRIES["lipo"]
    before = take_event(fresh(pack), pack, kind, "full", START)
    after = shelved(before, take_time(before, pack, kind, START + 4 * DAY), pack, kind)
    soc = after.readings["pack.soc"]
    assert isinstance(soc, Known)
    assert soc.source == OWN_CIRCUIT
    then = take_time(after, pack, kind, START + 5 * MONTH).track.spread(kind)
    assert soc.spread_at(START + 5 * MONTH) == pytest.approx(then, rel=1e-12)
    assert then > soc.spread + 3

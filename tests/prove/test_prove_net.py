"""Bounds on differences: what follows from them, against trying out small whole numbers.

That such bounds can be met where no way round comes out below 0: Bellman 1958, Ford 1956 (from
memory).
"""

from __future__ import annotations

from fractions import Fraction
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prove_kit import SIGNALS, codes, plan_of, proofs_of

from carerules.lang.prove import prove
from carerules.lang.prove.net import LESS, NOT_MORE, Link, Net, hanging_together
from carerules.lang.prove.ranges import Cut, hull, span

AXES = (7, 3, 9)
TOP = 3
CUTS = st.tuples(st.integers(-TOP, TOP).map(float), st.integers(0, 1))
LINKS = st.lists(
    st.builds(Link, st.sampled_from(AXES), st.sampled_from(AXES), CUTS).filter(
        lambda link: link.x != link.y
    ), max_size=6,
)  # fmt: skip


def meets(number: float, cut: Cut) -> bool:
    return (number, 0) < cut


def made(links: list[Link]) -> tuple[Net, bool]:
    net = Net(AXES)
    for axis in AXES:
        net.lie(axis, span(0, TOP)[0])
    for link in links:
        net.bind(link)
    return net, net.close()


def solutions(links: list[Link]) -> list[dict[int, float]]:
    """All that fits, in quarters: three strict bounds in a row still fit between two numbers."""
    steps = [n / 4 for n in range(4 * TOP + 1)]
    found = (dict(zip(AXES, numbers, strict=True)) for numbers in product(steps, repeat=3))
    return [one for one in found if all(meets(one[k.x] - one[k.y], k.cut) for k in links)]


@given(LINKS)
def test_what_can_be_and_between_what_bounds(links: list[Link]) -> None:
    net, sound = made(links)
    found = solutions(links)
    assert sound is bool(found)
    for axis in AXES if found else ():
        (low, after), (high, upto) = hull(net.bounds(axis))
        least, most = min(one[axis] for one in found), max(one[axis] for one in found)
        # A strict bound is come near to a quarter for each strict bound on the way to it.
        assert low <= least <= low + 0.75 * after
        assert high - 0.75 * (1 - upto) <= most <= high


@given(LINKS, st.sampled_from(AXES), st.integers(0, 4 * TOP))
def test_a_value_that_is_given_is_followed_like_a_bound(
    links: list[Link], axis: int, quarters: int
) -> None:
    net, sound = made(links)
    if not sound:
        return
    settled = net.settle(axis, quarters / 4)
    anew, _ = made(links)
    anew.lie(axis, span(quarters / 4, quarters / 4)[0])
    assert settled is anew.close()
    if settled:
        assert [net.bounds(one) for one in AXES] == [anew.bounds(one) for one in AXES]


@pytest.mark.parametrize("step", [0.1, 1 / 3, 1e-6])
def test_numbers_are_taken_as_they_are(step: float) -> None:
    """0.1 three times is not 0.3 in rounded numbers; here a round of them comes out at 0."""
    net = Net(range(4))
    for n in range(3):
        net.bind(Link(n + 1, n, (step, 1)))
        net.bind(Link(n, n + 1, (-step, 1)))
    net.lie(0, span(0, 0)[0])
    assert net.close()
    assert net.settle(3, 3 * step) is (Fraction(3 * step) == 3 * Fraction(step))


def test_groups() -> None:
    links = [Link(1, 2, NOT_MORE), Link(3, 2, LESS), Link(5, 6, LESS)]
    groups = {frozenset(group) for group in hanging_together(range(1, 8), links)}
    assert groups == {frozenset({1, 2, 3}), frozenset({5, 6}), frozenset({4}), frozenset({7})}


HUNDRED = "".join(
    f"rule r{n} on pack p{n % 25} when (pack.soc > {60 + n % 30} for {1 + n % 24} h)"
    f" and time until use > {n % 10} d and pack.temperature > site.temperature"
    f" and (pack.health > 50 or count use in last {1 + n % 9} d > 2): drain to {40 + n % 10}\n"
    for n in range(100)
)
NEVERS = (
    "never drain when pack.cell.min <= 3.4 V\n"
    "never drain when pack.temperature < 0 °C or pack.temperature > 50 °C\n"
)


def test_a_hundred_rules_take_a_fraction_of_what_a_check_may() -> None:
    """Half is enough for a hundred rules of five conditions each against two interlocks."""
    whole = prove(plan_of(NEVERS + HUNDRED), SIGNALS, None)
    assert whole == prove(plan_of(NEVERS + HUNDRED), SIGNALS, None, meets=30_000)
    assert not whole.undecided
    assert (len(whole.interlocks), len(whole.rivals)) == (200, 100)


def test_many_values_that_hang_together_are_counted_as_work() -> None:
    """Fifty values bound to one another in each of sixty rules: the check ends, and says so."""
    bound = " and ".join(
        f"count use in last {n + 1} d < {n + 3} and max of pack.soc over {n + 1} h > {n}"
        for n in range(25)
    )
    rule = "rule r{0} when pack.soc > {0} and " + bound + ": drain to {0}\n"
    one, many = proofs_of(rule.format(1), None), "".join(map(rule.format, range(1, 61)))
    assert codes(one) == []
    assert "not-decided" in codes(proofs_of(many, None))

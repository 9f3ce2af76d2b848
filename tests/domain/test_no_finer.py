"""A figure is shown no finer than its doubt."""

from __future__ import annotations

import pytest

from carerules.domain.quantity import no_finer


@pytest.mark.parametrize(("value", "spread", "shown"), [
    (10.05762, 0.027, 10.058),  # JCGM 100:2008, 7.2.6, its own example (from memory)
    (99.91, 2.01, 100.0),  # two figures of the doubt are 2.0, and it is shown as 2 %
    (94.57, 2.34, 94.6),
    (44.4, 29.0, 44.0),
    (44.4, 290.0, 44.0),  # whole units stay: a charge is told to the point, however doubtful
    (3.91234, 0.0042, 3.9123),
    (99.91, 0.0, 99.91),  # what has no doubt, such as a count, is as it is
])  # fmt: skip
def test_the_value_ends_where_its_doubt_does(value: float, spread: float, shown: float) -> None:
    assert no_finer(value, spread) == shown

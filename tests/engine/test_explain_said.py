"""What a firing rests on: a figure reads on behind its name, words stand behind a colon."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from carerules.domain.condition import Compare, SignalValue
from carerules.domain.moment import LocalTime
from carerules.domain.quantity import CHARGE_LEVEL, Known, Quantity, Truth
from carerules.domain.signal import catalogue
from carerules.engine.explain import Explained, Seen, explain, reasons
from carerules.engine.expression import make_ready
from carerules.engine.value import Facts


@pytest.mark.parametrize(
    ("found", "said"),
    [
        ("96 % ± 2 %", "pack.soc 96 % ± 2 %"),
        ("-1 mV/d", "pack.soc -1 mV/d"),
        ("it never happened", "pack.soc: it never happened"),
        ("unknown: too old", "pack.soc: unknown: too old"),
    ],
)
def test_words_do_not_run_together(found: str, said: str) -> None:
    seen = Seen("pack.soc", found, None, "")
    assert reasons(Explained("pack.soc > 95 %", Truth.YES, (seen,))) == (said,)


@pytest.mark.parametrize(
    ("soc", "spread", "said"),
    [
        (99.91, 2.0, "pack.soc 100 % ± 2 %"),  # 99.91 % ± 2 % was finer than anybody knows
        (60.02, 5.0, "pack.soc: just above 60 % ± 5 %"),
        (59.97, 5.0, "pack.soc: just below 60 % ± 5 %"),
        (60.0, 5.0, "pack.soc 60 % ± 5 %"),
        (60.02, 0.01, "pack.soc 60.02 % ± 0.01 %"),
    ],
)
def test_a_figure_ends_where_its_doubt_does_and_never_gainsays_the_rule(
    soc: float, spread: float, said: str
) -> None:
    above = Compare(SignalValue("pack.soc", CHARGE_LEVEL), ">", Quantity(60.0, CHARGE_LEVEL))
    facts = Facts(
        {"pack.soc": Known(soc, spread, 0, "counted")}, {}, {}, {}, (), LocalTime(ZoneInfo("UTC"))
    )
    assert reasons(explain(make_ready(above, catalogue()), (), facts, 0)) == (said,)

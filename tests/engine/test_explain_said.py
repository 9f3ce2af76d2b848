"""What a firing rests on: a figure reads on behind its name, words stand behind a colon."""

from __future__ import annotations

import pytest

from carerules.domain.quantity import Truth
from carerules.engine.explain import Explained, Seen, reasons


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

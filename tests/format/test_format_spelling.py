"""How one word is spelled, and what stands between two: each row a rule and its one form."""

import pytest
from format_kit import laid_out

from carerules.domain.quantity import SPELLINGS, UNITS
from carerules.lang.format.rows import spaced, split_row

# The canonical spellings stand in docs/language.md under "Units".
ROWS = [
    ("when pack.soc>=95for 24h: drain to 80", "when pack.soc >= 95 for 24 h: drain to 80"),
    ("when pack.soc >= 95% for 24h :drain to 80%", "when pack.soc >= 95 % for 24 h: drain to 80 %"),
    ("when pack.soc  >  95.0  percent: retire", "when pack.soc > 95 %: retire"),
    ("when pack.soc > 095.50: retire", "when pack.soc > 95.5: retire"),
    ("when pack.soc > +95: retire", "when pack.soc > 95: retire"),
    ("when pack.soc > 00.050%: retire", "when pack.soc > 0.05 %: retire"),
    ("when pack.current < −2A: retire", "when pack.current < -2 A: retire"),
    ("when pack.temperature > -0 degC: retire", "when pack.temperature > 0 °C: retire"),
    ("when pack.temperature > 86degF: retire", "when pack.temperature > 86 °F: retire"),
    ("when pack.resistance > 12mohm: retire", "when pack.resistance > 12 mΩ: retire"),
    ("when pack.resistance > 0.012Ohm: retire", "when pack.resistance > 0.012 Ω: retire"),
    ("when pack.rested > 1hour 30minutes: retire", "when pack.rested > 1 h 30 min: retire"),
    ("when pack.rested > 2 weeks: retire", "when pack.rested > 2 wk: retire"),
    ("when during 6:00 - 9:05: retire", "when during 06:00-09:05: retire"),
    ("when on mon,tue ,  wed: retire", "when on mon, tue, wed: retire"),
    ("when ( pack.soc>95 ) for 2h: retire", "when (pack.soc > 95) for 2 h: retire"),
    ("when not(pack.soc > 95): retire", "when not (pack.soc > 95): retire"),
    ('when site.smoke is on: notify "a  95%  #x"', 'when site.smoke is on: notify "a  95%  #x"'),
    ("when site.smoke is on: retire#why", "when site.smoke is on: retire  #why"),
    ("when site.smoke is on: retire;quarantine", "when site.smoke is on: retire; quarantine"),
    ('use "lipo" with full=90%,soon = 3days', 'use "lipo" with full = 90 %, soon = 3 d'),
    ("when slope of pack.health over 90days<-01.0%/week: retire",
     "when slope of pack.health over 90 d < -1 %/wk: retire"),
    ("when slope of site.temperature over 2 h > 3degC/hour: retire",
     "when slope of site.temperature over 2 h > 3 °C/h: retire"),
    ("when pack.soc > 95 in at least 3of last 5samples: retire",
     "when pack.soc > 95 in at least 3 of last 5 samples: retire"),
    ("when number of packs where(pack.soc>90)>=3: hold 1hour",
     "when number of packs where (pack.soc > 90) >= 3: hold 1 h"),
    ("when at 8:00 and pack.soc<90: charge to 100 at most 0.50C by 9:00",
     "when at 08:00 and pack.soc < 90: charge to 100 at most 0.5 C by 09:00"),
    ("\ufeffwhen site.smoke is on: retire\r", "when site.smoke is on: retire"),
]  # fmt: skip


@pytest.mark.parametrize(("loose", "tidy"), ROWS)
def test_a_word_has_one_spelling(loose: str, tidy: str) -> None:
    assert laid_out(loose) == f"{tidy}\n"
    assert laid_out(tidy) == f"{tidy}\n"


def test_a_unit_is_one_only_after_its_number() -> None:
    text = (
        "let day = 3 days\nlet hours = 95 %\nwhen pack.rested > day and pack.soc > hours: retire\n"
    )
    assert laid_out(text).startswith("let day   = 3 d\nlet hours = 95 %\n")
    assert "pack.rested > day and pack.soc > hours" in laid_out(text)


@pytest.mark.parametrize(("other", "canonical"), SPELLINGS.items())
def test_every_other_spelling_of_a_unit_is_put_right(other: str, canonical: str) -> None:
    assert canonical in UNITS
    bits, _, _ = split_row(f"12{other}")
    assert [bit.text for bit in bits] == ["12", canonical]


def test_a_rate_is_spelled_in_both_its_parts() -> None:
    bits, _, _ = split_row("1mohm/day # 1mohm/day")
    assert [bit.text for bit in bits] == ["1", "mΩ/d"]


def test_a_sign_that_is_unknown_keeps_its_place() -> None:
    """What the language may have one day is neither torn apart nor pushed together."""
    for row in ("a@b", "a @ b", "a @b", "2026-03-02 08:00", "3-2", "3 -2", "x[3]"):
        bits, _, _ = split_row(row)
        assert spaced(bits) == row

"""What somebody writes who has never seen the language: each line is led to a rule that holds.

In tests/lang/natural.txt stand pairs: what was written, and what comes of it when each mend that is
an edit is carried out, one after the other. Where a person must choose, `! ` and what is said.
"""

from pathlib import Path

import pytest
from lang_kit import HERE, loaded
from test_lang_wrong import _applied

from carerules.domain.diagnostic import Severity
from carerules.lang import phrases

ROUNDS_MAX = 6
PAIRS = [
    tuple(pair.split("\n", 1))
    for pair in Path(HERE / "natural.txt").read_text("utf-8").strip().split("\n\n")
]


def _led_on(text: str) -> str:
    for _ in range(ROUNDS_MAX):
        wrong = [f for f in loaded(text).diagnostics if f.severity is Severity.ERROR]
        if not wrong:
            return text
        edit = next((found for found in wrong if found.edit is not None), None)
        if edit is None:
            assert wrong[0].mend is not None, f"nothing is said of `{text}`"
            return f"{text}\n! {wrong[0].mend.say}"
        text = _applied(text, edit)
    raise AssertionError(f"no end of mends: `{text}`")


@pytest.mark.parametrize(("written", "comes"), PAIRS, ids=[pair[0][:60] for pair in PAIRS])
def test_what_is_said_otherwise_is_led_to_how_it_is_written(written: str, comes: str) -> None:
    got = _led_on(written)
    assert got == (comes if "\n" in comes or not comes.startswith("! ") else f"{written}\n{comes}")


def test_a_line_that_stands_further_in_is_read_like_any_other() -> None:
    """Its own `when` is none that stands behind a colon."""
    written = 'rule a\n    when pack.soc >= 95 for 24 h: drain to 80 and notify "done"\n'
    assert _led_on(written) == written.replace("and", ";")


def test_there_are_as_many_as_a_tutorial_has_wishes() -> None:
    """Forty were wanted; most come to a rule without a choice."""
    assert len(PAIRS) >= 150
    assert sum("! " not in comes for _, comes in PAIRS) > 0.75 * len(PAIRS)


def test_each_turn_of_speech_is_met(monkeypatch: pytest.MonkeyPatch) -> None:
    met: set[tuple[str, str]] = set()
    said = phrases._said

    def watched(match, written):  # type: ignore[no-untyped-def]
        met.add((match.re.pattern, written))
        return said(match, written)

    monkeypatch.setattr(phrases, "_said", watched)
    for written, _ in PAIRS:
        _led_on(written)
    assert {(turn, written) for turn, written, _ in phrases._TURNS} - met == set()


def test_a_long_row_is_no_sentence() -> None:
    row = "when pack.soc is above 95: retire" + " " * 400
    assert phrases.phrase_at(row, 14, acting=False) is None
    assert phrases.phrase_at(row[:100], 14, acting=False) is not None

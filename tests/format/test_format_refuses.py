"""What the formatter leaves alone: files with errors, and a layout that would change a meaning."""

from collections.abc import Callable

import pytest
from format_kit import ROOT, laid_out

from carerules.lang import CODES
from carerules.lang.format import NOT_LAID_OUT, format_text
from carerules.lang.format import text as lang_format
from carerules.lang.format.layout import lay_out
from carerules.lang.format.rows import Line

TEXT = """\
let full = 95 %
rule a  # why
    when pack.soc > full for 2 h: drain to 50; rest 5 min
never charge when site.smoke is on
"""


def codes(text: str) -> list[str]:
    got = format_text(text, "case.care")
    assert not isinstance(got, str)
    return [found.code for found in got]


def test_an_error_is_told_and_nothing_is_laid_out() -> None:
    assert codes("when pack.soc => 95 for 24 hs: drain to 80") == ["foreign-sign", "unknown-unit"]
    assert codes("when pack.soc > 95:\n\tdrain to 80") == ["tab"]
    assert codes("when pack.sock > 95: drain to 80") == ["unknown-signal"]
    assert codes('when pack.soc < 10: notify "{pack"') == ["hole"]


@pytest.mark.parametrize(
    "code", [code for code in CODES.values() if code.wrong], ids=lambda code: code.name
)
def test_every_kind_of_error_is_told_but_those_that_other_files_may_mend(code) -> None:  # type: ignore[no-untyped-def]
    elsewhere = {"unknown-pack", "unknown-packs", "unknown-role", "unknown-event", "unknown-rule",
                 "unknown-file", "unknown-channel", "shadowed-name"}  # fmt: skip
    got = format_text(code.wrong, "case.care")
    if code.warning or code.name in elsewhere:
        assert isinstance(got, str)
    else:
        assert not isinstance(got, str)
        assert [found.code for found in got] == [code.name]


def test_what_hangs_on_the_site_or_another_file_is_no_error_here() -> None:
    shed = (ROOT / "examples" / "river-survey" / "shed.care").read_text(encoding="utf-8")
    assert "site.humidity" in shed
    assert laid_out(shed) == shed
    assert laid_out('use "no-such"  with x=3') == 'use "no-such" with x = 3\n'
    assert laid_out("rule a over b when site.wind>3: retire").startswith("rule a over b when site.")


def _lost_word(lines: list[Line]) -> str:
    return lay_out(lines).replace("rest 5 min", "rest 6 min")


def _lost_comment(lines: list[Line]) -> str:
    return lay_out(lines).replace("  # why", "")


def _lost_statement(lines: list[Line]) -> str:
    return lay_out(lines).split("never")[0]


def _other_value(lines: list[Line]) -> str:
    return lay_out(lines).replace("95 %", "96 %")


def _torn(lines: list[Line]) -> str:
    """Read as it was meant, but with an error."""
    return lay_out(lines).replace(": drain", ":\ndrain")


@pytest.mark.parametrize(
    ("fault", "line"),
    [(_lost_word, 2), (_lost_comment, 1), (_lost_statement, 1), (_other_value, 1), (_torn, 1)],
)
def test_a_layout_that_changes_the_meaning_is_refused(
    fault: Callable[[list[Line]], str], line: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert laid_out(TEXT) == TEXT
    monkeypatch.setattr(lang_format, "lay_out", fault)
    got = format_text(TEXT, "case.care")
    assert not isinstance(got, str)
    assert [(found.code, found.span.line) for found in got] == [(NOT_LAID_OUT.name, line)]


def test_an_error_that_the_parser_guesses_away_is_refused_without_a_plan_to_compare(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    text = TEXT + "never drain when site.wind > 3\n"
    assert laid_out(text) == text
    monkeypatch.setattr(lang_format, "lay_out", _torn)
    got = format_text(text, "case.care")
    assert not isinstance(got, str)
    assert [found.code for found in got] == [NOT_LAID_OUT.name]


def test_a_changed_plan_is_refused_even_if_no_tree_shows_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Were the trees ever blind to something, the plans are compared as well."""
    monkeypatch.setattr(lang_format, "lay_out", _other_value)
    monkeypatch.setattr(lang_format, "_difference", lambda *_: None)
    got = format_text(TEXT, "case.care")
    assert not isinstance(got, str)
    assert [found.code for found in got] == [NOT_LAID_OUT.name]


def test_the_code_of_the_formatter_is_none_of_the_languages() -> None:
    assert NOT_LAID_OUT.name not in CODES

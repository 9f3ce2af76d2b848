"""Findings, mends, layout and outline, each asked without any server."""

from __future__ import annotations

from pathlib import Path

import pytest
from features_kit import MAIN, RULES, applied, seen

from carerules.domain.diagnostic import Diagnostic, Mend, Span
from carerules.lang import CODES
from carerules.lang.prove import PROOF_CODES
from carerules.lsp.features import Sight, alone, findings, layout, mends, prove_all, symbols
from carerules.lsp.features.mends import mend_all
from carerules.lsp.text import Document, Position, Range

# ---- findings ----------------------------------------------------------------------------------


def test_a_finding_has_its_place_its_words_and_its_mend() -> None:
    text = "# µ Ω \U0001f50b\nwhen pack.sock > 95: drain to 80 # \U0001f50b"
    (found,) = findings(alone(text))
    assert (found.code, found.error) == ("unknown-signal", True)
    assert found.range == Range(Position(1, 5), Position(1, 14))
    assert found.text.split("\n")[1].startswith("mend: did you mean `pack.soc`")


def test_columns_behind_a_sign_of_two_units() -> None:
    text = 'when pack.soc > 95: notify "\U0001f50b µ Ω" urgnt'
    (found,) = findings(alone(text))
    before = text[: text.index("urgnt")]
    units = len(before.encode("utf-16-le")) // 2
    assert found.range == Range(Position(0, units), Position(0, units + 5))


def test_an_unused_name_is_faded_and_no_error() -> None:
    (found,) = findings(alone("let full = 95 %\nwhen pack.soc > 95: drain to 80"))
    assert (found.code, found.error, found.faded) == ("unused-name", False, True)


def test_notes_about_other_places_are_related() -> None:
    text = "rule a when pack.soc > 95: drain to 80\nrule a when pack.soc > 90: drain to 70"
    (found,) = findings(alone(text))
    ((words, place),) = found.notes
    assert "stands here" in words
    assert place.range == Range(Position(0, 5), Position(0, 6))


@pytest.mark.parametrize("code", [code for code in PROOF_CODES.values() if code.wrong],
                         ids=lambda code: code.name)  # fmt: skip
def test_proofs_are_among_the_findings(code) -> None:  # type: ignore[no-untyped-def]
    assert code.name in [one.code for one in findings(prove_all(alone(code.wrong)))]


def test_long_proofs_come_later() -> None:
    text = "".join(
        f"rule r{n} when pack.soc > {60 + n % 30} % for {12 + n} h: drain to {40 + n % 10} %\n"
        for n in range(120)
    )
    first = alone(text)
    assert first.proofs is None
    assert findings(first) == []
    then = prove_all(first)
    assert len(findings(then)) > 10
    assert prove_all(then) is then


def test_an_error_in_a_file_taken_in_is_told_at_its_use() -> None:
    text = 'use "a.care"\nwhen pack.soc > 95: drain to 80'
    others = {"a.care": 'use "b.care"\n', "b.care": "\nwhen pack.sock > 9: retire"}
    (found,) = findings(seen(text, others))
    assert found.range == Range(Position(0, 5), Position(0, 11))
    assert found.text.startswith("`b.care` has an error in line 2: unknown signal `pack.sock`")
    assert [place.file for _, place in found.notes] == ["b.care"]


def test_a_warning_in_a_file_taken_in_is_nobodys_business_here() -> None:
    text = 'use "a.care"\nrule b when pack.soc > 95 for 1 d: drain to 80'
    assert findings(seen(text, {"a.care": "let a = 5 %\n"})) == []


# ---- mends -------------------------------------------------------------------------------------


def _mended(sight: Sight) -> list[tuple[str, str]]:
    whole = sight.document.whole
    return [
        (one.title, applied(sight.document, list(one.edits))) for one in mends(sight, whole)
        if one.at is not None
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("wrong", "title", "right"),
    [
        ("when pack.sock > 95: retire", "write `pack.soc`", "when pack.soc > 95: retire"),
        ("when pack.soc => 95: retire", "write `>=`", "when pack.soc >= 95: retire"),
        ("when pack.soc > 95 retire", "put `:` before it", "when pack.soc > 95: retire"),
        ("# \U0001f50b\nwhen pack.temperature > 5 C: retire", "write `°C`; `C` is a rate of charge",
         "# \U0001f50b\nwhen pack.temperature > 5 °C: retire"),
    ],
)  # fmt: skip
def test_a_mend_is_an_edit(wrong: str, title: str, right: str) -> None:
    assert (title, right) in _mended(alone(wrong))


def test_mends_are_those_of_the_place_asked() -> None:
    sight = alone("when pack.sock > 95: retire\nwhen pack.soc => 95: retire\n")
    first, last = Range(Position(0, 6), Position(0, 6)), Range(Position(1, 14), Position(1, 14))
    assert [one.code for one in mends(sight, first) if one.at] == ["unknown-signal"]
    assert [one.code for one in mends(sight, last) if one.at] == ["foreign-sign"]
    assert [one.preferred for one in mends(sight, last) if one.at] == [True]
    assert [one for one in mends(sight, Range(Position(0, 0), Position(0, 1))) if one.at] == []


def test_all_that_is_safe_at_once() -> None:
    text = "When pack.soc => 3,5 && ! site.smoke is on: drain to 2\n"
    sight = alone(text)
    whole = mends(sight, sight.document.whole)[-1]
    assert whole.at is None
    right = applied(sight.document, list(whole.edits))
    assert right == "when pack.soc >= 3.5 and not site.smoke is on: drain to 2\n"
    assert findings(alone(right)) == []


def test_of_two_mends_that_overlap_the_first_is_taken() -> None:
    def told(first: int, last: int, text: str) -> Diagnostic:
        return Diagnostic("tab", "x", Span("f", 1, first, 1, last), Mend("x", text, safe=True))

    document = Document("abcdef")
    mending = mend_all([told(3, 5, "Y"), told(1, 4, "X"), told(6, 6, "Z")], document)
    assert mending is not None
    assert applied(document, list(mending.edits)) == "XdeZf"
    assert mend_all([], document) is None


def test_every_mend_of_every_code_can_be_applied() -> None:
    looked = 0
    for code in CODES.values():
        sight = alone(code.wrong)
        for mending in mends(sight, sight.document.whole):
            right = applied(sight.document, list(mending.edits))
            told = [one.code for one in findings(alone(right))]
            assert code.name not in told, (code.name, mending.title, right)
            looked += 1
    assert looked >= 15


# ---- layout and outline ------------------------------------------------------------------------


@pytest.mark.parametrize("path", sorted((Path(__file__).parents[2] / "rules").glob("*.care")),
                         ids=lambda path: path.stem)  # fmt: skip
def test_a_file_laid_out_stays(path: Path) -> None:
    assert layout(alone(path.read_text(encoding="utf-8"))) == []


def test_only_lines_that_change_are_touched() -> None:
    text = "# \U0001f50b\nlet a = 95 %\n\nwhen pack.soc>a for 24hours: drain to 80\n# end\n"
    sight = alone(text)
    (edit,) = layout(sight)
    assert edit.range == Range(Position(3, 0), Position(4, 0))
    assert applied(sight.document, [edit]) == (
        "# \U0001f50b\nlet a = 95 %\n\nwhen pack.soc > a for 24 h: drain to 80\n# end\n"
    )


def test_line_ends_of_another_system_stay() -> None:
    sight = alone("when pack.soc>5:\r\n  retire\r\n# a\r\n")
    got = applied(sight.document, layout(sight))
    assert got == "when pack.soc > 5:\r\n    retire\r\n# a\r\n"


def test_a_file_with_an_error_is_left_alone() -> None:
    assert layout(alone("when pack.sock>5: retire")) == []


def test_the_statements_are_listed() -> None:
    got = symbols(seen(MAIN, RULES))
    assert [(one.kind, one.name) for one in got] == [
        ("use", "shared.care"), ("let", "low"), ("group", "boats"), ("rule", "keep"),
        ("let", "top-level"),
    ]  # fmt: skip
    for one in symbols(seen("never charge when pack.soc > 5\nwhen pack.soc > 5: retire")):
        assert one.range.start <= one.named.start <= one.named.end <= one.range.end

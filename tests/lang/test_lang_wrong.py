"""Wrong rules, as people slip: each message, its place and its mend, beside the mistake.

In a case, below the line that is wrong: a row of carets under the words (`#^^` begins in the first
column), `#! ` the message, `#> ` the mend; `#@ ` a place in a file that the case takes in.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from lang_kit import HERE, codes_of, loaded

from carerules.domain.diagnostic import Diagnostic
from carerules.lang import CODES

FILES = sorted((HERE / "wrong").glob("*.care"))


@dataclass
class Case:
    name: str
    text: str
    expected: list[list[str]] = field(default_factory=list)


def _cases(path: Path) -> list[Case]:
    cases, line = [], 1
    for chunk in path.read_text(encoding="utf-8").split("----\n"):
        rows, expected, place = [], [], ""
        for row in chunk.rstrip("\n").split("\n"):
            if (carets := re.fullmatch(r"#( *)(\^+)", row)) is not None:
                start = len(carets[1]) + 2 if carets[1] else 1
                place = f"case.care:{len(rows)}:{start}+{len(carets[2])}"
            elif row.startswith("#@ "):
                place = row[3:]
            elif row.startswith("#! "):
                expected.append([place, row[3:], ""])
            elif row.startswith("#> "):
                expected[-1][2] = row[3:]
            else:
                rows.append(row)
        cases.append(Case(f"{path.stem}:{line}", "\n".join(rows), expected))
        line += chunk.count("\n") + 1
    return cases


CASES = [case for path in FILES for case in _cases(path)]


def _told(found: Diagnostic) -> list[str]:
    place = found.span.show()
    if found.span.file == "case.care":
        assert found.span.line == found.span.end_line
        place += f"+{found.span.end_column - found.span.column}"
    return [place, found.message, found.mend.say if found.mend else ""]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_slip_is_told_where_it_is(case: Case) -> None:
    assert case.expected, "a case without an expectation tests nothing"
    assert [_told(found) for found in loaded(case.text).diagnostics] == case.expected


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_caret_stands_under_the_words(case: Case) -> None:
    got = loaded(case.text)
    for found in got.diagnostics:
        row, carets = found.show(got.sources[found.span.file]).split("\n")[1:3]
        start, stop = carets.index("^"), len(carets)
        written = case.text.split("\n")[found.span.line - 1]
        if found.span.file == "case.care" and len(written) <= 76 and "\t" not in written:
            said = written[found.span.column - 1 : found.span.end_column - 1]
            assert row[start:stop] == said


def test_a_message_is_one_sentence_in_the_house_style() -> None:
    for case in CASES:
        for found in loaded(case.text).diagnostics:
            assert "\n" not in found.message
            assert not found.message.endswith(".")
            assert found.message[0] == "`" or found.message[0].islower(), found.message
            for word in ("None", "float", "Quantity", "NAME_", "SIGNAL", "_NL", "$END"):
                assert word not in found.message, found.message


def test_at_most_three_messages_follow_from_one_slip() -> None:
    for case in CASES:
        if "several slips" not in case.text:
            assert len(case.expected) <= 4, case.name


def test_a_safe_mend_puts_it_right() -> None:
    mended = 0
    for case in CASES:
        (first, *rest) = loaded(case.text).diagnostics
        if rest or first.mend is None or not first.mend.safe or first.mend.replacement is None:
            continue
        rows = case.text.split("\n")
        row = rows[first.span.line - 1]
        rows[first.span.line - 1] = (
            row[: first.span.column - 1] + first.mend.replacement + row[first.span.end_column - 1 :]
        )
        again = codes_of("\n".join(rows))
        # A file with several tabs is told once, and mended tab by tab.
        assert first.code not in again or first.code == "tab", case.name
        mended += 1
    assert mended >= 15


# ---- the table of codes ------------------------------------------------------------------------

SHOWN = [code for code in CODES.values() if code.wrong]


@pytest.mark.parametrize("code", SHOWN, ids=lambda code: code.name)
def test_the_example_of_a_code_provokes_it_and_nothing_else(code) -> None:  # type: ignore[no-untyped-def]
    assert codes_of(code.wrong) == [code.name]
    assert codes_of(code.right) == [] or code.name == "unknown-file"


def test_every_code_is_provoked_by_a_wrong_case_or_a_limit() -> None:
    from test_lang_limits import LIMITS

    told = {found.code for case in CASES for found in loaded(case.text).diagnostics}
    assert told | {code for code, _ in LIMITS.values()} == set(CODES)


# ---- mends as changes of the text ---------------------------------------------------------------

# Mends after which as much is told as before, and why.
_NOT_AT_ONCE = {
    "tab": "the first tab of a file is told, and the file is mended tab by tab",
    'notify phone "worn"': "one of the two words is too many, and either may be",
    "rule full too long": "a name of three words is joined one word at a time",
    "use lipo": "here no such file ships",
    'scenario "full"\ngiven': "each line that lost its margin is told and mended by itself",
}


def _applied(text: str, found: Diagnostic) -> str:
    assert found.edit is not None
    at, new = found.edit
    rows = text.split("\n")
    assert at.line == at.end_line
    row = rows[at.line - 1]
    assert 1 <= at.column <= at.end_column <= len(row) + 1
    rows[at.line - 1] = row[: at.column - 1] + new + row[at.end_column - 1 :]
    return "\n".join(rows)


def _places(found: Sequence[Diagnostic]) -> int:
    """Findings, and the further places that some of them note."""
    noted = [note for one in found for note in one.notes if note[0] == "and here"]
    return len(found) + len(noted)


def test_a_mend_that_is_an_edit_leaves_less_to_mend() -> None:
    left: list[tuple[str, str]] = []
    mended: set[str] = set()
    for case in CASES:
        before = loaded(case.text).diagnostics
        for found in before:
            if found.edit is None or found.span.file != "case.care":
                continue
            if found.code == "tab" or any(text in case.text for text in _NOT_AT_ONCE):
                continue
            after = loaded(_applied(case.text, found)).diagnostics
            if _places(after) >= _places(before):
                left.append((case.name, found.message))
            mended.add(found.code)
    assert left == []
    assert len(mended) >= 20


@pytest.mark.parametrize(
    ("wrong", "right"),
    [
        ("when pack.soc > 95&&pack.rested > 1 h: drain to 80",
         "when pack.soc > 95 and pack.rested > 1 h: drain to 80"),
        ("when !site.smoke is on: retire", "when not site.smoke is on: retire"),
        ("when ! site.smoke is on: retire", "when not site.smoke is on: retire"),
        ("when pack.soc > 95 drain to 80", "when pack.soc > 95: drain to 80"),
        ("when pack.soc > 95: drain 80", "when pack.soc > 95: drain to 80"),
        ("when pack.soc > 95:\ndrain to 80", "when pack.soc > 95:\n    drain to 80"),
        ('when site.smoke is on: notify "smoke # a', 'when site.smoke is on: notify "smoke # a"'),
        ("when pack.soc between 80 % and 60 % for 1 d: retire",
         "when pack.soc between 60 % and 80 % for 1 d: retire"),
    ],
)  # fmt: skip
def test_what_a_mend_writes(wrong: str, right: str) -> None:
    (found,) = loaded(wrong).diagnostics
    assert _applied(wrong, found) == right
    assert codes_of(right) == []

"""The colours: by samples, and word by word against what the parser of the language makes of it."""

import json
import re
from pathlib import Path

import pytest
from tm_kit import Scopes

from carerules.domain.quantity import SPELLINGS, UNITS, unit_named
from carerules.domain.signal import catalogue
from carerules.lang import KEYWORDS
from carerules.lang.ahead import ahead
from carerules.lang.names import outline
from carerules.lang.reference import reference
from carerules.lsp.grammar import as_text, grammar, main

HERE = Path(__file__).resolve().parents[2]
FILE = HERE / "integrations" / "editor" / "care.tmLanguage.json"
SCOPES = Scopes(json.loads(FILE.read_text(encoding="utf-8")))
RULES = sorted((HERE / "rules").glob("*.care"))


def scope_of(line: str, word: str) -> str:
    """The innermost scope of a word in a line, the same for all of its characters."""
    apart = r"(?<![\w.-])" if word[0].isalpha() else ""
    where = re.search(f"{apart}{re.escape(word)}", line)
    assert where is not None
    start = where.start()
    found = {tuple(SCOPES.of(line)[at]) for at in range(start, start + len(word))}
    assert len(found) == 1, (line, word, found)
    (scopes,) = found
    return scopes[-1].removesuffix(".care") if scopes else ""


@pytest.mark.parametrize(
    ("line", "word", "scope"),
    [
        ("# when pack.soc > 95", "when", "comment.line.number-sign"),
        ('notify "a # b"  # c "d"', "# b", "string.quoted.double"),
        ('notify "a # b"  # c "d"', "c", "comment.line.number-sign"),
        ('notify "{pack} at {pack.soc}"', "at", "string.quoted.double"),
        ('notify "{pack} at {pack.soc}"', "{pack.soc}", "constant.other.placeholder"),
        ('notify "open', "open", "invalid.illegal.unclosed-text"),
        ("when pack.soc >= 95 %:", "when", "keyword.control"),
        ("when pack.soc >= 95 %:", "pack.soc", "support.variable.signal"),
        ("when pack.soc >= 95 %:", ">=", "keyword.operator.comparison"),
        ("when pack.soc >= 95 %:", "95", "constant.numeric"),
        ("when pack.soc >= 95 %:", "%", "keyword.other.unit"),
        ("when pack.soc >= 95 %:", ":", "punctuation.separator"),
        ("when site.meter > 350 Wh", "site.meter", "variable.other.signal"),
        ("when site.meter > 350 Wh", "Wh", "keyword.other.unit"),
        ("slope of pack.cell.spread over 30 d > 1 mV/d", "mV/d", "keyword.other.unit"),
        ("slope of pack.cell.spread over 30 d > 1 mV/d", "over", "keyword.other"),
        ("pack.soc > 95 for 1 h 30 min", "min", "keyword.other.unit"),
        ("min of pack.soc over 2 h", "min", "keyword.other"),
        ("pack.temperature < 5 °C or pack.age > 2 weeks", "°C", "keyword.other.unit"),
        ("pack.temperature < 5 °C or pack.age > 2 weeks", "or", "keyword.operator.logical"),
        ("pack.temperature < 5 °C or pack.age > 2 weeks", "weeks", "keyword.other.unit"),
        ("rule full-at-most on lipo packs", "rule", "keyword.control"),
        ("rule full-at-most on lipo packs", "full-at-most", "entity.name.function.rule"),
        ("rule full-at-most on lipo packs", "lipo", ""),
        ("rule full-at-most on lipo packs", "packs", "keyword.other"),
        ("drain to storage-at-most during 22:00-06:00", "drain", "support.function.action"),
        ("drain to storage-at-most during 22:00-06:00", "storage-at-most", ""),
        ("drain to storage-at-most during 22:00-06:00", "22:00", "constant.numeric.clock"),
        ("drain to storage-at-most during 22:00-06:00", "06:00", "constant.numeric.clock"),
        ("time since charge > 90 d", "charge", "constant.other.event"),
        ("let full = 95 %", "full", "variable.other.constant"),
        ("group boats: packs where role is boat", "boats", "entity.name.type.group"),
        ("on sat, sun", "sun", "constant.language.day"),
        ("at Sat 18:00: expect nothing", "expect", "keyword.control"),
        ("at Sat 18:00: expect nothing", "Sat", "constant.language.day"),
    ],
)
def test_a_word_has_its_scope(line: str, word: str, scope: str) -> None:
    assert scope_of(line, word) == scope


def _expected(kind: str, text: str, before: str) -> tuple[str, ...]:
    """Scopes that a word of the parser's may have, by its terminal."""
    if before in ("FIGURE", "DEGREES") and unit_named(text) is not None and kind != "FIGURE":
        return ("keyword.other.unit",)
    match kind:
        case "STRING":
            return ("string.quoted.double",)
        case "SIGNAL":
            return ("support.variable.signal", "variable.other.signal")
        case "FIGURE":
            return ("constant.numeric",)
        case "CLOCK":
            return ("constant.numeric.clock",)
        case "OP":
            return ("keyword.operator.comparison",)
        case "NAME":
            return ("", "constant.other.event", "constant.language.day", "variable.other.constant",
                    "entity.name.function.rule", "entity.name.type.group")  # fmt: skip
        case "COLON" | "SEMI" | "COMMA":
            return ("punctuation.separator",)
        case _ if kind.lower() in KEYWORDS:
            return ("keyword.control", "keyword.other", "keyword.operator.logical",
                    "support.function.action")  # fmt: skip
        case _:
            return ("", "keyword.other.unit")


def _files() -> dict[str, str]:
    examples = {f"{entry.kind} {entry.form}": entry.example for entry in reference()}
    return {path.name: path.read_text(encoding="utf-8") for path in RULES} | examples


@pytest.mark.parametrize("text", _files().values(), ids=_files().keys())
def test_every_word_is_coloured_as_the_parser_reads_it(text: str) -> None:
    rows = text.split("\n")
    looked = 0
    statements = outline(text, "f").statements
    for one in statements:
        rest = "\n".join(
            [*[""] * (one.span.line - 1), *rows[one.span.line - 1 : one.span.end_line]]
        )
        words = ahead(rest.rstrip() + "\n    " if one.kind == "scenario" else rest + " ").words
        before = ""
        for word in words:
            row = rows[word.span.line - 1]
            scopes = SCOPES.of(row)[word.span.column - 1 : word.span.end_column - 1]
            inner = {found[0].removesuffix(".care") if found else "" for found in scopes}
            assert len(inner) == 1, (row, word)
            assert inner <= set(_expected(word.type, word.text, before)), (row, word, inner)
            before = word.type
            looked += 1
    assert looked >= 2 * len(statements)


def test_comments_are_comments_from_the_first_sign_to_the_last() -> None:
    looked = 0
    for path in RULES:
        for row in path.read_text(encoding="utf-8").split("\n"):
            plain = re.sub(r'"[^"]*"', lambda one: "_" * len(one[0]), row)
            if (start := plain.find("#")) >= 0:
                scopes = SCOPES.of(row)
                assert all(one == ["comment.line.number-sign.care"] for one in scopes[start:])
                assert all("comment" not in str(one) for one in scopes[:start])
                looked += 1
    assert looked > 50


@pytest.mark.parametrize("symbol", sorted({*UNITS, *SPELLINGS}))
def test_every_unit_is_one_behind_a_number_only(symbol: str) -> None:
    if unit_named(symbol) is None:
        return
    assert scope_of(f"x > 5 {symbol} and y", symbol) == "keyword.other.unit"
    assert scope_of(f"x > 5{symbol}", f"5{symbol}"[:1]) == "constant.numeric"


def test_every_keyword_and_every_signal_has_a_colour() -> None:
    for word in KEYWORDS:
        assert scope_of(f"{word} 5", word).startswith(("keyword.", "support.function.")), word
    for name in catalogue():
        assert scope_of(f"{name} > 5", name) == "support.variable.signal"


# ---- the file ----------------------------------------------------------------------------------


def test_the_file_is_as_it_would_be_made() -> None:
    assert FILE.read_text(encoding="utf-8") == as_text()
    assert main(["--check", str(FILE)]) == 0


def test_a_file_that_is_out_of_date_is_told_and_made_anew(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "care.tmLanguage.json"
    file.write_text("{}", encoding="utf-8")
    assert main(["--check", str(file)]) == 1
    assert "out of date" in capsys.readouterr().err
    assert file.read_text(encoding="utf-8") == "{}"
    assert main([str(file)]) == 0
    assert json.loads(file.read_text(encoding="utf-8")) == grammar()


def test_a_grammar_that_colours_otherwise_is_found_out() -> None:
    """The checker itself: without its comments and strings, words inside them have colours."""
    without = json.loads(as_text())
    without["patterns"] = [
        one for one in without["patterns"] if one["include"] not in ("#comment", "#text")
    ]
    assert "keyword.control.care" in Scopes(without).of("# when")[2]
    assert SCOPES.of("# when")[2] == ["comment.line.number-sign.care"]

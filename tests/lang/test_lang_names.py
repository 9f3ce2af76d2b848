"""Names and their places, what may come next, and statements that are not read twice."""

import re
from pathlib import Path

import pytest
from lang_kit import CATALOGUE, HERE, NAMES, fetch

from carerules.domain.quantity import unit_named
from carerules.lang import KEYWORDS, load
from carerules.lang.ahead import ahead
from carerules.lang.memo import Memo
from carerules.lang.names import outline
from carerules.lang.reference import reference

SHIPPED = sorted((HERE.parents[1] / "rules").glob("*.care"))
RIGHT = [*SHIPPED, *sorted((HERE / "right").glob("*.care"))]


def _words(text: str) -> list[tuple[int, int, str]]:
    """Every word that is none of the language and no unit, found by eye alone: no grammar here."""
    found = []
    for line, row in enumerate(text.split("\n"), 1):
        plain = re.sub(r'"[^"]*"', lambda m: " " * len(m[0]), row).partition("#")[0]
        for match in re.finditer(r"[^\W\d][\w.-]*", plain):
            number_before = re.search(r"\d\s*$", plain[: match.start()]) is not None
            per_before = plain[: match.start()].endswith(("/", "°", "%"))
            unit = unit_named(match[0]) is not None and number_before
            word = match[0] in KEYWORDS or (match[0] == "a" and "on a station" in row)
            if not (word or unit or per_before):
                found.append((line, match.start() + 1, match[0]))
    return found


@pytest.mark.parametrize("path", RIGHT, ids=lambda path: path.stem)
def test_every_word_that_is_a_name_is_mentioned_where_it_stands(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    got = outline(text, path.name)
    assert got.torn == ()
    rows = text.split("\n")
    mentioned = set()
    for one in got.names:
        at = one.span
        assert rows[at.line - 1][at.column - 1 : at.end_column - 1] == one.name, one
        mentioned.add((at.line, at.column, one.name))
    assert set(_words(text)) <= mentioned


def test_each_kind_of_name() -> None:
    text = """use "lipo" with full = top
let top = 96 %
group boats: packs where role is boat and tagged "smart" and chemistry is lipo
rule a on boats packs over b because "x"
    when count swelling since use > 1 and slope of pack.soc over 2 d > 1 %/d and on sat:
        notify "{pack.soc} of {pack}" to phone
        mark done
rule b on pack heron when pack.soc > top: drain to 80
scenario "one day"
    given pack heron is lipo role boat tagged "smart" since Fri 18:00
    at Sat 18:00: heron used, heron pack.soc = 40 %, expect heron drain to 80 % by b
    at Sat 19:00: expect nothing of heron
    at Sat 20:00: use on Mon 09:00 of heron, heron on no station, expect heron drain by b
"""
    told = [(one.kind, one.name, one.gives, one.within) for one in outline(text, "f").names]
    assert told == [
        ("file", "lipo", False, ""), ("setting", "full", False, "lipo"), ("let", "top", False, ""),
        ("let", "top", True, ""),
        ("group", "boats", True, ""), ("role", "boat", False, ""), ("tag", "smart", False, ""),
        ("chemistry", "lipo", False, ""),
        ("rule", "a", True, ""), ("kind", "boats", False, ""), ("rule", "b", False, ""),
        ("event", "swelling", False, ""), ("event", "use", False, ""),
        ("signal", "pack.soc", False, ""), ("day", "sat", False, ""),
        ("signal", "pack.soc", False, ""), ("channel", "phone", False, ""),
        ("event", "done", True, ""),
        ("rule", "b", True, ""), ("pack", "heron", False, ""), ("signal", "pack.soc", False, ""),
        ("let", "top", False, ""),
        ("scenario", "one day", True, ""),
        ("pack", "heron", True, "one day"), ("chemistry", "lipo", False, ""),
        ("role", "boat", False, ""), ("tag", "smart", False, ""), ("day", "Fri", False, ""),
        ("day", "Sat", False, ""),
        ("pack", "heron", False, "one day"), ("event", "used", False, ""),
        ("pack", "heron", False, "one day"), ("signal", "pack.soc", False, ""),
        ("pack", "heron", False, "one day"), ("rule", "b", False, ""),
        ("day", "Sat", False, ""), ("pack", "heron", False, "one day"),
        ("day", "Sat", False, ""), ("day", "Mon", False, ""), ("pack", "heron", False, "one day"),
        ("pack", "heron", False, "one day"), ("pack", "heron", False, "one day"),
        ("rule", "b", False, ""),
    ]  # fmt: skip


def test_what_cannot_be_read_is_said_to_be_torn() -> None:
    got = outline("let a = 5 %\nrule b when when\n\nrule c when pack.soc > a: retire", "f")
    assert got.torn == (2,)
    assert [one.name for one in got.statements] == ["a", "c"]


# ---- what may come next ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "fits", "not_"),
    [
        ("", {"RULE", "WHEN", "USE"}, {"DRAIN", "SIGNAL"}),
        ("when ", {"SIGNAL", "TIME", "COUNT", "NOT"}, {"DRAIN", "RULE"}),
        ("when pa", {"SIGNAL", "TIME"}, {"RULE"}),
        ("when pack.soc ", {"OP", "BETWEEN", "IS"}, {"SIGNAL"}),
        ("when pack.soc > 95 % ", {"FOR", "AND", "COLON"}, {"IS"}),
        ("when pack.soc > 95 %: ", {"DRAIN", "NOTIFY"}, {"SIGNAL"}),
        ("when pack.soc > 95 %:\n    ", {"DRAIN", "STOP"}, {"RULE"}),
        ("when pack.soc > 95 %:\n    drain to 80\n", {"RULE"}, {"DRAIN"}),
        ("when pack.soc > 95 %:\n    drain to 80\n    ", {"DRAIN", "STOP"}, {"RULE"}),
        ("rule a on ", {"PACKS", "PACK", "NAME"}, {"WHEN"}),
        ("rule a\n    ", {"WHEN", "ON", "OVER"}, {"DRAIN"}),
        ('scenario "a"\n    ', {"GIVEN", "AT", "AFTER"}, {"RULE"}),
        ("if pack.soc ", {"OP"}, {"RULE"}),
    ],
)
def test_what_could_come_next(before: str, fits: set[str], not_: set[str]) -> None:
    wanted = ahead(before).wanted
    assert fits <= wanted
    assert not not_ & wanted


def test_every_word_of_every_example_could_come_where_it_comes() -> None:
    """The examples of the reference, cut before each keyword: the keyword is among what fits."""
    looked = 0
    for entry in reference():
        text = entry.example
        for match in re.finditer(r"[a-z]+", text):
            before = text[: match.start()]
            row = before.rpartition("\n")[2]
            if match[0] not in KEYWORDS or row.count('"') % 2 or "#" in row:
                continue
            edges = text[match.start() - 1 : match.start()] + text[match.end() : match.end() + 1]
            if set(edges) & set(".-{}"):
                continue
            wanted = ahead(before).wanted
            assert match[0].upper() in wanted or "NAME" in wanted, (before, match[0])
            looked += 1
    assert looked > 500


def test_behind_a_slip_nothing_is_known() -> None:
    assert ahead("when when when ").wanted == frozenset()


# ---- read once ---------------------------------------------------------------------------------


def test_with_a_memo_nothing_is_found_otherwise() -> None:
    text = (HERE / "right" / "glance.care").read_text(encoding="utf-8")
    memo = Memo()
    for cut in [*range(0, len(text), 37), len(text), 0, len(text)]:
        for one in (text[:cut], f"# a\n{text[:cut]}", text[cut:], text[:cut] + "when" + text[cut:]):
            files = {"f.care": one}
            fresh = load(files, catalogue=CATALOGUE, names=NAMES, fetch=fetch)
            again = load(files, catalogue=CATALOGUE, names=NAMES, fetch=fetch, memo=memo)
            assert again == fresh


def test_what_is_told_of_a_slip_moves_with_it() -> None:
    """Every wrong rule, read with a memo and then a line further down, and back."""
    from test_lang_wrong import CASES

    for case in CASES:
        memo = Memo()
        for text in (case.text, f"# a\n\n{case.text}", case.text, f"\n{case.text}"):
            files = {"case.care": text}
            fresh = load(files, catalogue=CATALOGUE, names=NAMES, fetch=fetch)
            assert load(files, catalogue=CATALOGUE, names=NAMES, fetch=fetch, memo=memo) == fresh


def test_a_memo_forgets(monkeypatch: pytest.MonkeyPatch) -> None:
    import carerules.lang.memo as module

    read = []
    real = module.parse
    monkeypatch.setattr(module, "parse", lambda *args: read.append(1) or real(*args))
    memo = Memo()

    def times(text: str) -> int:
        read.clear()
        load({"f": text}, catalogue=CATALOGUE, memo=memo)
        return len(read)

    one, two = "let a = 1 %\nlet b = 2 %\n", "let a = 1 %\nlet b = 3 %\n"
    assert [times(one), times(one), times(two), times(one)] == [2, 0, 1, 1]
    for number in range(50):
        times(f"let a = {number} %\n")
    assert all(len(part) <= 2 for part in (memo._now, memo._before))

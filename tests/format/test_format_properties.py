"""Whatever a rule file says and however it is written: laid out it says the same, and stays so."""

import re
from collections import Counter

import pytest
from format_kit import ROOT, laid_out, meaning
from hypothesis import given, settings
from programs import programs

from carerules.lang.format import format_text

FILES = sorted([*ROOT.glob("rules/*.care"), *ROOT.glob("examples/**/*.care"),
                *ROOT.glob("tests/lang/right/*.care")])  # fmt: skip


@settings(max_examples=100, deadline=None)
@given(programs())
def test_a_program_laid_out_means_the_same(program: tuple[str, int]) -> None:
    text, notes = program
    out = laid_out(text)
    assert meaning(out) == meaning(text)
    assert laid_out(out) == out
    numbers = Counter(re.findall(r"#\s*note (\d+) \" \(\{;:$", out, re.MULTILINE))
    assert numbers == {str(number): 1 for number in range(1, notes + 1)}
    tidy(out)


def tidy(out: str) -> None:
    """What holds for every layout, whatever was in the file."""
    assert out == "" or (out.endswith("\n") and not out.endswith("\n\n"))
    assert not out.startswith("\n")
    assert "\r" not in out
    assert "\t" not in out
    assert "\n\n\n\n" not in out
    for row in out.split("\n"):
        assert row == row.rstrip()
        before = re.sub(r'"[^"]*"', '""', row).split("#")[0]
        indent = len(before) - len(before.lstrip())
        assert indent % 4 == 0 or not before.strip()
        for untidy in UNTIDY:
            assert re.search(untidy, before) is None


UNTIDY = [
    r"\d(%|°C|h\b|min\b|mΩ)",
    r"[^\s<>!=](>=|<=|!=|[<>=])",
    r"(>=|<=|!=|[<>](?!=)|(?<![<>!])=)\S",
    r"\b(degC|mohm)\b|\d (minutes|hours|days)\b",
    r"(?<![:\d.-])0\d(?!:)",
    r"\.0\b",
    r"[(] | [),;:]",
]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_the_files_that_ship_are_laid_out_and_stay_so(path) -> None:  # type: ignore[no-untyped-def]
    text = path.read_text(encoding="utf-8")
    near = {"lipo": ROOT / "rules" / "lipo.care",
            "storage": ROOT / "tests" / "lang" / "used" / "storage.care"}  # fmt: skip

    def fetch(name: str) -> str | None:
        return near[name].read_text(encoding="utf-8") if name in near else None

    out = format_text(text, path.name, fetch=fetch)
    assert isinstance(out, str)
    assert format_text(out, path.name, fetch=fetch) == out
    tidy(out)
    words = re.compile(r"[^\W\d][\w.-]*")
    assert Counter(words.findall(out)) == Counter(words.findall(text)) or "24h" in text


def test_there_are_files() -> None:
    assert len(FILES) >= 5

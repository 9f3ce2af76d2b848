"""Where lines break and what lines up: a text, and below the arrow the text laid out."""

from pathlib import Path

import pytest
from format_kit import laid_out

CASES = (Path(__file__).parent / "layout.txt").read_text(encoding="utf-8").split("\n=======\n")


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.split("\n")[0].lstrip("= "))
def test_a_text_is_laid_out_so(case: str) -> None:
    _title, rest = case.split("\n", 1)
    before, after = (part.strip("\n") + "\n" for part in rest.split("\n--->\n"))
    assert before != after
    assert laid_out(before) == after
    assert laid_out(after) == after


def test_there_are_cases() -> None:
    assert len(CASES) >= 15


def test_a_file_of_nothing_stays_nothing() -> None:
    assert [laid_out(text) for text in ("", "\n", " \n\n", "\ufeff")] == [""] * 4
    assert laid_out("\n\n# only this  \n\n") == "# only this\n"


def test_what_fits_exactly_stays_on_its_line_and_one_more_does_not() -> None:
    reason = "x" * 51
    row = f'rule a because "{reason}" when pack.soc > 95: drain to 80'
    assert len(row) == 100
    assert laid_out(row) == f"{row}\n"
    assert laid_out(row.replace("x ", "xx ").replace('x"', 'xx"')).split("\n") == [
        "rule a", f'    because "{reason}x"', "    when pack.soc > 95:", "        drain to 80", "",
    ]  # fmt: skip

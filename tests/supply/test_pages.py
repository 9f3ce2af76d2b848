"""The documentation is built as pages, and what could not be read there as written is told.

Of tables: the public specification of GitHub Flavored Markdown, "Tables", by which a bar in code
parts cells too (from memory); of the anchors of headings: common practice, no source.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from supply_kit import ROOT, script

pages = script("pages")


def test_the_whole_documentation_can_be_built(tmp_path: Path) -> None:
    texts = pages.texts_of(ROOT)
    assert len(texts) > 40
    assert pages.build(texts, tmp_path) == []
    made = {file.relative_to(tmp_path).as_posix(): file for file in tmp_path.rglob("*.html")}
    assert made.keys() == {f"{name[:-3]}.html" for name in texts}
    for name, file in made.items():
        text = file.read_text("utf-8")
        for target in re.findall(r'href="([^":]+)"', text):
            other, _, place = target.partition("#")
            lies = (file.parent / other).resolve() if other else file
            # A folder of the project is no page.
            if not lies.exists():
                assert (ROOT / name).parent.joinpath(other).is_dir(), (name, target)
            elif place:
                assert f'id="{place}"' in lies.read_text("utf-8"), (name, target)


WRONG = {
    "[x](other.md)": "no such file: other.md",
    "[x](b.md#nowhere)": "no such heading: b.md#nowhere",
    "[x](#elsewhere)": "no such heading: #elsewhere",
    "| a | b |\n| --- | --- |\n| `c | d` | e |":
        "a row of 3 cells in a table of 2: | `c | d` | e |",
    "<b>loud</b>": "markup of its own: <b>",
    "<table>\n</table>": "markup of its own: <table>",
}  # fmt: skip


@pytest.mark.parametrize("text", WRONG)
def test_what_is_wrong_is_told_and_nothing_is_written(text: str, tmp_path: Path) -> None:
    texts = {"docs/a.md": f"# A\n\n{text}\n", "docs/b.md": "# B\n"}
    assert f"docs/a.md: {WRONG[text]}" in pages.build(texts, tmp_path / "made")
    assert not (tmp_path / "made").exists()


def test_links_lead_to_what_was_made(tmp_path: Path) -> None:
    a = "# A `b`, c!\n\n## Twice\n\n## Twice\n\n[x](b.md#b) [y](#twice-1) <!-- test -->\n"
    assert pages.build({"docs/a.md": a, "docs/b.md": "# B\n\n[a](a.md#a-b-c)\n"}, tmp_path) == []
    text = (tmp_path / "docs" / "a.html").read_text("utf-8")
    assert '<a href="b.html#b">x</a> <a href="#twice-1">y</a>' in text
    assert '<h2 id="twice-1">Twice</h2>' in text
    assert '<a href="../DEVELOPERS.html">' in text

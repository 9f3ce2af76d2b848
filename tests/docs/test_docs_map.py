"""docs/README.md lists every page once, and every link between our pages leads to a place."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path

import click
import pytest

from carerules.cli import main

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *DOCS.rglob("*.md")])
LINK = re.compile(r"\[[^\]\n]*\]\(([^)\s]+)\)")
NO_COMMANDS = {"is"}
"""Words after the name in what programs say, shown as code."""
SCREEN_LINES = 50
"""One screen: about what a window shows without scrolling, blank lines left out."""


def prose(page: Path) -> str:
    """The page without what is shown as code."""
    text = re.sub(r"^```.*?^```", "", page.read_text("utf-8"), flags=re.MULTILINE | re.DOTALL)
    return re.sub(r"`[^`\n]*`", lambda found: found[0].translate({91: None, 93: None}), text)


def anchors(page: Path) -> set[str]:
    """The anchor of each heading, as the common renderers of such pages make it."""
    found: set[str] = set()
    for head in re.findall(r"^#+ +(.+?)\s*$", prose(page), re.MULTILINE):
        words = re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-")
        again = sum(one == words or re.fullmatch(f"{re.escape(words)}-\\d+", one) is not None
                    for one in found)  # fmt: skip
        found.add(f"{words}-{again}" if again else words)
    return found


def broken(page: Path, root: Path = ROOT) -> list[str]:
    """Each link of the page that leads nowhere."""
    lost: list[str] = []
    for target in LINK.findall(prose(page)):
        if re.match(r"[a-z]+:", target):
            continue
        file, _, place = target.partition("#")
        other = (page.parent / file).resolve() if file else page
        if not other.exists() or not other.is_relative_to(root):
            lost.append(f"{target}: no such file")
        elif place and (other.suffix != ".md" or place not in anchors(other)):
            lost.append(f"{target}: no such heading")
    return lost


def test_every_page_is_on_the_map_once() -> None:
    listed = Counter(LINK.findall(prose(DOCS / "README.md")))
    pages = {str(one.relative_to(DOCS)) for one in DOCS.glob("*.md")} - {"README.md"}
    pages |= {"reference/index.md", "oracles/README.md"}
    assert pages - set(listed) == set(), "not on the map, docs/README.md"
    assert {page: listed[page] for page in pages} == dict.fromkeys(pages, 1)
    assert set(listed) - pages == {"../README.md"}


def test_the_reference_lists_its_own_pages() -> None:
    listed = set(LINK.findall(prose(DOCS / "reference" / "index.md")))
    own = {one.name for one in (DOCS / "reference").glob("*.md")} - {"index.md"}
    assert own <= listed


def test_the_map_fits_on_one_screen_a_line_a_page() -> None:
    lines = [line for line in (DOCS / "README.md").read_text("utf-8").splitlines() if line]
    assert len(lines) <= SCREEN_LINES
    for line in lines[2:]:
        assert re.fullmatch(r"\*\*[^*]+\*\*|- \[(\S+)\]\(\1\): \S.*", line), line
        assert len(line) <= 100, line


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_link_leads_to_a_place(page: Path) -> None:
    assert broken(page) == []


PROMISES = re.compile(
    r"\b(safe|safely|protects?|prevents?|compliant|fail-safe|guarantees?|guaranteed)\b", re.I
)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_no_page_makes_a_promise(page: Path) -> None:
    """None of these words stands anywhere, but where it is denied."""
    text = page.read_text("utf-8").replace("not a promise that a pack is safe", "")
    assert PROMISES.findall(text) == []


def commands(text: str) -> set[str]:
    """What stands after `carerules` in code, in a line or between ticks."""
    code = "\n".join(re.findall(r"^```\w*\n(.*?)^```", text, re.MULTILINE | re.DOTALL))
    spans = "\n".join(re.findall(r"(?<!`)`(carerules [^`\n]+)`", text))
    return set(
        re.findall(r"(?:^|[ /$;&])carerules ([a-z][a-z-]*)\b(?!/)", f"{code}\n{spans}", re.M)
    )


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_command_that_is_named_is_one(page: Path) -> None:
    assert (
        commands(page.read_text("utf-8"))
        <= set(main.list_commands(click.Context(main))) | NO_COMMANDS
    )


def test_commands_are_found_in_code() -> None:
    block = "```sh\n.venv/bin/carerules run x\ncd y && carerules stop\n```\n"
    text = f"carerules is\n{block}`carerules why z`"
    assert commands(text) == {"run", "stop", "why"}
    assert len(commands((ROOT / "README.md").read_text("utf-8"))) >= 8


def test_a_link_that_leads_nowhere_is_found(tmp_path: Path) -> None:
    """The finder itself, on a planted page with each kind of bad link between good ones."""
    (tmp_path / "two.md").write_text("# One `two`\n## A, b: c\n## A, b: c\n", "utf-8")
    assert anchors(tmp_path / "two.md") == {"one-two", "a-b-c", "a-b-c-1"}
    page = tmp_path / "page.md"
    page.write_text(
        "[a](nowhere.md) [b](two.md#nowhere) [c](#here) [d](two.md#a-b-c-1) [e](../out.md)\n"
        "# Here\n```\n[f](x)\n```\n[g](https://there.example)\n",
        "utf-8",
    )
    (tmp_path.parent / "out.md").write_text("# Out\n", "utf-8")
    assert broken(page, tmp_path) == [
        "nowhere.md: no such file",
        "two.md#nowhere: no such heading",
        "../out.md: no such file",
    ]
    assert sum(len(LINK.findall(prose(one))) for one in PAGES) > 60

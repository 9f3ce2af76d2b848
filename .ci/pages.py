"""The documentation as pages of HTML, each link followed: what is written is what can be read.

Knows Markdown and links. Does not know what a page says. `python .ci/pages.py FOLDER` makes the
pages there; without a folder it makes them nowhere, and says all the same what is wrong with them:
a link that leads nowhere, a row of a table with a cell too many or too few, markup of its own.
"""

from __future__ import annotations

import re
import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from html import escape
from pathlib import Path
from posixpath import normpath
from urllib.parse import unquote

from markdown_it import MarkdownIt
from markdown_it.token import Token

ROOT = Path(__file__).resolve().parents[1]
PAGES_FIRST = ("README.md", "docs/README.md", "DEVELOPERS.md", "CHANGELOG.md")
STYLE = """
body { max-width: 48rem; margin: 2rem auto; padding: 0 1rem; font: 1rem/1.5 system-ui, sans-serif }
pre { overflow-x: auto; padding: .8rem; border: 1px solid } table { border-collapse: collapse }
td, th { border: 1px solid; padding: .2rem .5rem; text-align: left; vertical-align: top }
"""
PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>{title}</title>
<meta name="viewport" content="width=device-width"><style>{style}</style></head>
<body><nav>{nav}</nav><main>
{body}</main></body></html>
"""


@dataclass(slots=True)
class Page:
    """One page: where it lies below the root, its tokens, its places, and what is wrong."""

    name: str
    tokens: list[Token]
    title: str = ""
    places: set[str] = field(default_factory=set)
    faults: list[str] = field(default_factory=list)


def place_of(head: str, taken: set[str]) -> str:
    """The anchor of a heading, as the common renderers of such pages make it."""
    words = re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-")
    again, found = 0, words
    while found in taken:
        again += 1
        found = f"{words}-{again}"
    return found


def reader() -> MarkdownIt:
    """The reader of Markdown: with tables, and with markup, which is then refused."""
    return MarkdownIt("commonmark", {"html": True}).enable("table")


def read(name: str, text: str) -> Page:
    """A page with its headings named; links are looked at when all pages are read."""
    page = Page(name, reader().parse(text))
    for token, after in zip(page.tokens, page.tokens[1:], strict=False):
        if token.type == "heading_open":
            head = "".join(one.content for one in after.children or ())
            place = place_of(head, page.places)
            page.places.add(place)
            page.title = page.title or head
            token.attrSet("id", place)
    for token in (*page.tokens, *inline(page.tokens)):
        if token.type.startswith("html_") and not comment(token.content):
            page.faults.append(f"markup of its own: {token.content.split()[0]}")
    page.faults += uneven(text)
    return page


def comment(markup: str) -> bool:
    """Whether it is no more than a mark for those who read the source."""
    return re.fullmatch(r"\s*<!--.*-->\s*", markup, re.DOTALL) is not None


def inline(tokens: list[Token]) -> Iterator[Token]:
    """Everything that stands within the lines of a page."""
    for token in tokens:
        yield from token.children or ()


def uneven(text: str) -> Iterator[str]:
    """Rows with another number of cells than their table has: readers drop or add some unsaid."""
    wanted = 0
    for line in re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL).splitlines():
        if not line.startswith("|"):
            wanted = 0
            continue
        cells = len(re.findall(r"(?<!\\)\|", line))
        if wanted and cells != wanted:
            yield f"a row of {cells - 1} cells in a table of {wanted - 1}: {line[:40]}"
        wanted = wanted or cells


def follow(page: Page, pages: dict[str, Page]) -> set[str]:
    """Turn links to pages into links to what is made of them; the other files that it links to.
    What leads nowhere is put to the page's faults."""
    others: set[str] = set()
    for token in inline(page.tokens):
        if token.type != "link_open":
            continue
        target = unquote(str(token.attrGet("href")))
        if re.match(r"[a-z]+:", target):
            continue
        file, _, place = target.partition("#")
        other = normpath(f"{page.name}/../{file}") if file else page.name
        if other in pages:
            if place and place not in pages[other].places:
                page.faults.append(f"no such heading: {target}")
            if file:
                made = re.sub(r"\.md$", ".html", file)
                token.attrSet("href", f"{made}#{place}" if place else made)
        elif (ROOT / other).is_file():
            others.add(other)
        elif not (ROOT / other).is_dir():
            page.faults.append(f"no such file: {target}")
    return others


def written(page: Page, body: str) -> str:
    """The whole of a page."""
    up = "../" * page.name.count("/")
    nav = " ".join(f'<a href="{up}{one[:-3]}.html">{one[:-3]}</a>' for one in PAGES_FIRST)
    return PAGE.format(title=escape(page.title), style=STYLE, nav=nav, body=body)


def build(texts: dict[str, str], folder: Path | None) -> list[str]:
    """Make the pages of these texts, by their names below the root; what is wrong, a line each.
    Nothing is written where something is wrong, or where there is no folder."""
    pages = {name: read(name, text) for name, text in texts.items()}
    others = set().union(*(follow(page, pages) for page in pages.values()))
    wrong = [f"{page.name}: {fault}" for page in pages.values() for fault in page.faults]
    if folder is None or wrong:
        return wrong
    render = reader()
    for page in pages.values():
        body = render.renderer.render(page.tokens, render.options, {})
        file = folder / f"{page.name[:-3]}.html"
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(written(page, body), encoding="utf-8")
    for other in others:
        (folder / other).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(ROOT / other, folder / other)
    return []


def texts_of(root: Path) -> dict[str, str]:
    """Every page there is: those of the root, and those of the docs."""
    files = [root / name for name in PAGES_FIRST if "/" not in name]
    files += sorted((root / "docs").rglob("*.md"))
    return {file.relative_to(root).as_posix(): file.read_text("utf-8") for file in files}


def main(arguments: list[str]) -> int:
    """Make the pages; 1 where something is wrong with them."""
    texts = texts_of(ROOT)
    wrong = build(texts, Path(arguments[0]) if arguments else None)
    for line in wrong:
        sys.stderr.write(f"{line}\n")
    if not wrong:
        sys.stdout.write(f"{len(texts)} pages\n")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
